"""Light mirrored in a coupon is told from light that is uneven, and from print that is gone."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("skimage")
pytest.importorskip("zxingcpp")

from dtfexp.coupon.layout import coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading import refusing
from dtfexp.coupon.reading.reading import read
from tests.coupon.prints import Damage, box, printed
from tests.coupon.scenes import CLOTH, Camera, Cloth, Scene, photo

LABEL = Label("AB3X9", 12, "wash")
CAMERA = Camera(pixels=6.5, exposure=0.7, uneven=(0.3, -0.2, 0.2, 0.1, 0.2))


@pytest.fixture(scope="module")
def coupon():
    """A print in fine flakes, of whose yellow block half is gone beside; and its truth."""
    rng = np.random.default_rng(3)
    one, truth = printed(LABEL, Damage(missing=0.2, flake=1.5, fade=8), rng, (8, 8), 2)
    (yellow,) = (b for b in coupon_layout("wash").of_kind("block") if b.name == "yellow")
    part = one.cover[box(yellow)]
    part[: int(0.5 * len(part))] = 0
    return one, truth


def looked_at(one, cloth, camera):
    scene = Scene((one,), (108, coupon_layout("wash").height + 18), Cloth(CLOTH[cloth]), camera)
    with Image.open(io.BytesIO(photo(scene, np.random.default_rng(1)))) as opened:
        return np.asarray(opened)


@pytest.mark.parametrize("cloth", ["white", "black"])
def test_uneven_light_and_lost_print_are_not_glare(coupon, cloth):
    one, truth = coupon
    found = read(looked_at(one, cloth, CAMERA), "AB3X9", [12])
    assert [r.reason for r in found.refused] == []
    # The fine edges of flakes too, whose colour JPEG keeps for several px together.
    cracked = found.coupons[0].measures.cracked.value
    assert cracked == pytest.approx(100 * truth.cracked, abs=1.0)


@pytest.mark.parametrize(
    ("cloth", "matt", "strength"), [("grey", False, 0.5), ("red", False, 0.3), ("black", True, 0.3)]
)
def test_light_mirrored_in_cloth_or_in_print_alone_is_glare(coupon, cloth, matt, strength):
    camera = replace(CAMERA, glare=(60, 50, 9, strength), matt_cloth=matt)
    found = read(looked_at(coupon[0], cloth, camera), "AB3X9", [12])
    assert [r.reason for r in found.refused] == ["glare"]


def test_without_a_code_a_patch_of_light_is_told_from_white_things():
    y, x = np.mgrid[:300, :300]
    light = 90 + 400 * np.exp(-((y - 150) ** 2 + (x - 150) ** 2) / 60**2)
    picture = np.clip(light, 0, 255).astype(np.uint8)[..., None].repeat(3, -1)
    assert refusing.of_picture(picture) == "glare"
    picture = np.full((300, 300, 3), 90, np.uint8)
    picture[100:200, 100:200] = 255
    assert refusing.of_picture(picture) == "no code"
