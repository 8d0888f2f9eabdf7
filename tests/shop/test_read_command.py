"""`dtfexp read`: what it takes and says; the measures themselves: tests/coupon/test_reading.py."""

import io

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("skimage")
pytest.importorskip("zxingcpp")

from dtfexp import CouponError, Logbook, Session, plan
from dtfexp.book.coupons import pictures
from dtfexp.book.coupons.picture_file import picture
from dtfexp.book.coupons.readings import readings
from dtfexp.coupon.payload import Label, session_code
from dtfexp.shop.cli import main
from dtfexp.show.recorder.recording import FormServer
from tests.coupon.prints import Damage, printed
from tests.coupon.scenes import CLOTH, Camera, Cloth, Scene, photo


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A logbook, a picture of press 3 (half) on black cloth, and the truth of it."""
    folder = tmp_path_factory.mktemp("shop")
    session = Session.load("data/example_session.toml")
    with Logbook.create(folder / "my.dtfbook", session) as book:
        book.add(plan(session, 6))
        code = session_code(book.mark)
    rng = np.random.default_rng(2)
    one, truth = printed(Label(code, 3, "wash"), Damage(missing=0.06), rng, (8, 8), 2)
    camera = Camera(pixels=6.5, roll=90, exposure=0.7)
    (folder / "photo.jpg").write_bytes(
        photo(Scene((one,), (106, 108), Cloth(CLOTH["black"]), camera), rng)
    )
    return folder, truth


def test_read_keeps_measures_and_says_them(shop, capsys):
    folder, truth = shop
    asked = ["read", str(folder / "my.dtfbook"), str(folder / "photo.jpg"), "--washes", "5"]
    assert main(asked) == 0
    said = capsys.readouterr().out
    assert "photo.jpg: 1 coupon read." in said
    assert "Press 3 (half to wash), after 5 washes:" in said
    assert "print missing: " in said and "proposed: wash" in said
    with Logbook.open(folder / "my.dtfbook") as book:
        (kept,) = readings(book, 3)
        assert (kept.washes, kept.half) == (5, "wash")
        assert kept.measures.missing.value == pytest.approx(100 * truth.missing, abs=1.5)
    assert main(asked) == 0  # again: the same is kept once
    with Logbook.open(folder / "my.dtfbook") as book:
        assert len(readings(book, 3)) == 1


def test_a_picture_without_a_coupon_keeps_nothing(shop, capsys, tmp_path):
    Image.fromarray(np.full((90, 90, 3), 130, np.uint8)).save(tmp_path / "grey.png")
    assert main(["read", str(shop[0] / "my.dtfbook"), str(tmp_path / "grey.png")]) == 1
    assert "0 coupons read." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"\x00\x00\x00\x18ftypheic" + bytes(40), "HEIC"),
        (b"name,grade\n", "no whole picture"),
        ("grey", "no colour"),
        ("large", "million pixels"),
        (None, "cannot be read"),
    ],
)
def test_files_that_are_no_use_are_one_line(shop, tmp_path, capsys, content, says):
    place = tmp_path / "photo.png"
    if content == "grey":
        Image.new("L", (50, 50)).save(place)
    elif content == "large":
        Image.new("1", (9000, 9000)).convert("P").save(place)
    elif content is not None:
        place.write_bytes(content)
    asked = ["read", str(shop[0] / "my.dtfbook"), str(shop[0] / "photo.jpg"), str(place)]
    assert main(asked) == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert said.startswith("dtfexp: ") and "photo.png" in said and says in said


def test_a_picture_is_turned_as_the_camera_says(tmp_path):
    shown = np.zeros((20, 30, 3), np.uint8)
    shown[:10] = 200
    plain = Image.fromarray(shown)
    exif = plain.getexif()
    exif[0x0112] = 6  # the camera was turned: to be shown a quarter turn clockwise
    out = io.BytesIO()
    plain.save(out, "PNG", exif=exif)
    found = picture(out.getvalue())
    assert found.shape == (30, 20, 3)
    assert (found[:, 10:] == 200).all() and (found[:, :10] == 0).all()


def test_a_picture_cut_short_is_refused():
    out = io.BytesIO()
    Image.fromarray(np.random.default_rng(0).integers(0, 255, (80, 80, 3), np.uint8)).save(
        out, "JPEG"
    )
    with pytest.raises(CouponError, match="no whole picture"):
        picture(out.getvalue()[:2000])


def test_without_the_libraries_one_line_says_what_to_install(shop, capsys, monkeypatch):
    monkeypatch.setattr(pictures, "_NEEDED", ("zxingcpp", "no_such_library"))
    assert main(["read", str(shop[0] / "my.dtfbook"), str(shop[0] / "photo.jpg")]) == 2
    assert "pip install 'dtfexp[read]'" in capsys.readouterr().err.strip().splitlines()[-1]


def test_a_picture_dropped_on_the_form_is_read_and_kept(shop):
    folder, _ = shop
    with Logbook.open(folder / "my.dtfbook") as book:
        desk = FormServer(book)
        sent = {"op": "read pictures", "id": "a", "washes": 7, "by": "Ana"}
        told = desk.handle(sent, [(folder / "photo.jpg").read_bytes()])
        assert told["ok"] and told["text"] == "1 coupon read: press 3"
        assert told["lines"][0].strip() == "Press 3 (half to wash), after 7 washes:"
        kept = readings(book, 3)[-1]
        assert (kept.washes, kept.by) == (7, "Ana")
        refused = desk.handle({**sent, "id": "b"}, [b"no picture"])
        assert not refused["ok"] and "no whole picture" in refused["text"]
        assert not desk.handle({**sent, "id": "c"})["ok"]
