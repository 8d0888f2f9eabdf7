"""Coupons read from small pictures with known truth; more of them: tests/bench/proof_reading.py."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("skimage")
pytest.importorskip("zxingcpp")

from dtfexp.coupon.layout import COLOURS, coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading import finding, lighting, refusing
from dtfexp.coupon.reading.fine import smallest_that_holds, strip_held
from dtfexp.coupon.reading.reading import read
from dtfexp.coupon.reading.rectified import seen
from tests.coupon.prints import Damage, printed
from tests.coupon.scenes import CLOTH, Camera, Cloth, Scene, photo, pixels_of

SESSION, LABEL = "AB3X9", Label("AB3X9", 12, "wash")
DAMAGE = Damage(missing=0.08, cracks=15, fade=6, lost_below=0.25, lost_points=5.5)
CAMERA = Camera(
    pixels=7.5, tilt=25, tilt_to=60, roll=200, gains=(1.08, 1.0, 0.85),
    exposure=0.65, uneven=(0.25, -0.15, 0.1, 0, 0.1),
)  # fmt: skip


def as_array(content):
    with Image.open(io.BytesIO(content)) as opened:
        return np.asarray(opened)


@pytest.fixture(scope="module")
def washed():
    """A washed half on red cloth seen aslant in uneven light: scene, truth, picture."""
    rng = np.random.default_rng(4)
    one, truth = printed(LABEL, DAMAGE, rng, (8, 8), 3)
    cloth = Cloth(CLOTH["red"], folds=((40, 60, 15, 0.1),), margin=8)
    scene = Scene((one,), (108, coupon_layout("wash").height + 18), cloth, CAMERA)
    return scene, truth, as_array(photo(scene, rng))


@pytest.fixture(scope="module")
def measures(washed):
    found = read(washed[2], SESSION, [11, 12])
    assert [r.reason for r in found.refused] == []
    return found.coupons[0].measures


def test_the_coupon_lies_where_it_was_laid(washed):
    scene, _, picture = washed
    (place,) = finding.places(picture, finding.codes(picture))
    assert place.label == LABEL
    turn = np.radians(3)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = np.array([[7, 7], [83, 7], [83, 60], [7, 60.0]])
    told = pixels_of(scene, np.array([8, 8]) + corners @ matrix)
    assert np.abs(finding.moved(place.homography, corners) - told).max() < 2.5  # 0.3 mm; the fold


def test_missing_print_is_measured(washed, measures):
    truth = washed[1]
    assert measures.missing.value == pytest.approx(100 * truth.missing, abs=1.5)
    assert measures.cracked.value == pytest.approx(100 * truth.cracked, abs=1.5)
    assert truth.missing > 0.05


def test_fading_is_measured(washed, measures):
    truth = washed[1]
    off = [measures.colours[name].ciede2000.value - truth.faded[name] for name in COLOURS]
    assert np.abs(off).max() < 0.8
    assert min(truth.faded[name] for name in COLOURS) > 3
    assert measures.against == "artwork"


def test_fine_things_are_measured(washed, measures):
    assert measures.line.value in (0.3, 0.4)  # thinner ones were taken off, 0.3 is just held
    assert measures.gap.value == 0.3
    assert measures.letters.value == 8  # below 6 taken off, 7 hit by a flake


def test_a_picture_before_washing_is_what_colours_are_compared_with(washed, measures):
    again = read(washed[2], SESSION, [12], {LABEL.text: measures}).coupons[0].measures
    assert again.against == "before"
    assert max(change.ciede2000.value for change in again.colours.values()) < 1e-9
    assert again.colours["cyan"].ciede2000.sd > measures.colours["cyan"].ciede2000.sd


@pytest.mark.parametrize(
    ("session", "presses", "reason"),
    [("ZZ9QP", [12], "other session"), (SESSION, [11], "not planned")],
)
def test_another_coupon_is_never_measured(washed, session, presses, reason):
    found = read(washed[2], session, presses)
    assert not found.coupons
    assert [(one.label, one.reason) for one in found.refused] == [(LABEL, reason)]


def test_bad_pictures_are_refused_with_the_reason(washed):
    from scipy.ndimage import gaussian_filter

    picture = washed[2]
    spots = picture.astype(float)
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    middle = np.array(picture.shape[:2]) / 2
    spots += 400 * np.exp(-((y - middle[0]) ** 2 + (x - middle[1]) ** 2) / 60**2)[..., None]
    bad = {
        "dark": (picture * 0.25).astype(np.uint8),
        "blurred": gaussian_filter(picture, (3.2, 3.2, 0)),
        "glare": np.clip(spots, 0, 255).astype(np.uint8),
        "no code": np.kron(np.eye(9), np.full((40, 40), 200))[..., None].repeat(3, -1).astype("u1"),
        "small": np.ascontiguousarray(picture[::2, ::2]),
    }
    for reason, spoilt in bad.items():
        found = read(spoilt, SESSION, [12])
        assert not found.coupons, reason
        assert [one.reason for one in found.refused] == [reason]


@pytest.fixture(scope="module")
def worn(washed):
    """The picture with the finder patterns of both codes gone: no code reader finds them."""
    scene, _, picture = washed
    picture = picture.copy()
    turn = np.radians(3)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    for one in coupon_layout("wash").of_kind("code"):
        for dx, dy in ((0, 0), (11.2, 0), (0, 11.2)):
            corner = np.array([one.x + 3.2 + dx, one.y + 3.2 + dy])
            spots = corner + np.stack(np.meshgrid(*[np.arange(0, 5.6, 0.1)] * 2), -1).reshape(-1, 2)
            x, y = pixels_of(scene, np.array([8, 8]) + spots @ matrix).round().astype(int).T
            picture[y, x] = CLOTH["red"]
    return picture


def test_a_code_that_no_reader_finds_is_found_by_what_is_left_of_it(worn, measures):
    assert not finding.codes(worn)
    found = read(worn, SESSION, range(1, 60))
    assert [one.measures.label for one in found.coupons] == [LABEL]
    assert found.coupons[0].measures.missing.value == pytest.approx(measures.missing.value, abs=0.3)


@pytest.mark.parametrize(
    ("session", "presses", "reason"),
    [
        (SESSION, [*range(1, 12), *range(13, 60)], "not planned"),
        ("ZZ9QP", range(1, 60), "other session"),
    ],
)
def test_a_worn_code_is_never_taken_for_another(worn, session, presses, reason):
    found = read(worn, session, list(presses))
    assert not found.coupons
    assert [(one.label, one.reason) for one in found.refused] == [(LABEL, reason)]


def test_teal_on_cloth_much_like_it_is_no_coupon():
    picture = np.full((400, 400, 3), (158, 188, 188), np.uint8)
    picture[:20] = 255
    picture[100:300, 120:290] = (142, 188, 188)
    assert [one.reason for one in read(picture, SESSION, [12]).refused] == ["no code"]


def test_print_beside_its_place_is_refused(washed):
    picture = washed[2]
    (place,) = finding.places(picture, finding.codes(picture))
    straight = seen(picture, place)
    even = lighting.even(straight)
    assert refusing.of_even(straight, even) is None
    off = np.roll(even.light, int(2 * straight.per_mm), 1)
    assert refusing.of_even(straight, replace(even, light=off)) == "not flat"


def test_a_coupon_cut_off_is_refused(washed):
    scene, _, picture = washed
    left = pixels_of(scene, np.array([[8 + 9.0, 8], [8 + 9.0, 70.0]]))[:, 0]
    cut = picture[:, : int(left.min())] if left.mean() > picture.shape[1] / 2 else None
    cut = picture[:, int(left.max()) :] if cut is None else cut
    found = read(np.ascontiguousarray(cut), SESSION, [12])
    assert not found.coupons and found.refused[0].reason in ("cut off", "no code")


def test_the_smallest_that_holds_passes_over_an_odd_one():
    held = {0.1: 0.2, 0.2: 1.0, 0.3: 0.5, 0.5: 1.0, 1.0: 1.0}
    assert smallest_that_holds(held, 3.0).value == 0.5
    assert smallest_that_holds({**held, 0.1: 1.0}, 3.0).value == 0.1
    assert smallest_that_holds({0.1: 0.0, 1.0: 0.0}, 3.0).value == 3.0
    assert smallest_that_holds({4.0: 0.8, 6.0: 0.8}, 14.0).value == 4.0


def test_a_line_half_as_wide_as_drawn_still_holds():
    share = np.zeros((80, 24))
    share[:, 10:14] = 0.75  # 0.3 mm wide in all, at 10 px/mm
    assert strip_held(share, 0.5, 10) == 1.0
    assert strip_held(share, 0.7, 10) == 0.0
    share[:40] = 0
    assert strip_held(share, 0.5, 10) == pytest.approx(0.5, abs=0.04)
