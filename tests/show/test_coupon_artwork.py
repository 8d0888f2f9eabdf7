"""The test print of each press as files."""

import io

import numpy as np
import pytest
from PIL import Image

from dtfexp import CouponError, Factor, Logbook, Outcome, Session, coupon_artwork, plan
from dtfexp.coupon.layout import WIDTH, coupon_layout
from dtfexp.coupon.payload import Label, session_code
from dtfexp.coupon.raster import coupon_picture
from dtfexp.coupon.strip import Strip
from dtfexp.show.paper.png import png

SESSION = Session(
    "small",
    [Factor("press temperature", 140, 170, "°C", step=5)],
    [Outcome("peel")],
    ["cotton", "fleece"],
)


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    path = tmp_path_factory.mktemp("coupons") / "small.dtfbook"
    with Logbook.create(path, SESSION) as made:
        made.add(plan(SESSION, 6, fabrics=["cotton", "fleece"]))
        made.record(int(made.runs()["press"].iloc[0]), {"peel": 4})
        yield made


@pytest.fixture(scope="module")
def printed(book):
    folder = book.path.parent / "film"
    return coupon_artwork(book, folder, halves=True), folder


def test_every_press_not_made_yet_has_its_files(book, printed):
    made, folder = printed
    first, *rest = book.runs()["press"].tolist()
    names = {
        f"300dpi/press-{n:03d}-{half}{layer}.png"
        for n in rest for half in ("wash", "keep") for layer in ("", "-white")
    }  # fmt: skip
    both = {"300dpi/strip.png", "300dpi/strip-white.png", "coupons.pdf", "strip.pdf"}
    found = {path.relative_to(folder).as_posix() for path in folder.rglob("*.*")}
    assert found == names | both == {p.relative_to(folder).as_posix() for p in made.paths}
    assert made.presses == len(rest) and f"press-{first:03d}-wash" not in str(found)


def test_a_png_is_the_coupon_with_its_resolution(book, printed):
    _, folder = printed
    number = int(book.runs()["press"].iloc[1])
    label = Label(session_code(book.mark), number, "keep")
    with Image.open(folder / "300dpi" / f"press-{number:03d}-keep.png") as opened:
        assert opened.mode == "RGBA"
        assert opened.info["dpi"] == pytest.approx((300, 300), abs=0.01)
        assert np.array_equal(np.asarray(opened), coupon_picture(label, 300 / 25.4))


def test_the_strip_is_read_back_coupon_by_coupon(book, printed):
    zxingcpp = pytest.importorskip("zxingcpp")
    made, folder = printed
    with Image.open(folder / "300dpi" / "strip.png") as opened:
        strip = np.asarray(opened)
    cloth = np.where(strip[..., 3:] > 0, strip[..., :3], np.uint8(90))
    texts = [one.text for one in zxingcpp.read_barcodes(np.ascontiguousarray(cloth))]
    assert sorted(texts) == sorted(2 * [label.text for label in made.strip.labels])
    assert {Label.of(text).session for text in texts} == {session_code(book.mark)}


def test_a_strip_is_drawn_once_for_colour_and_white(book, tmp_path, monkeypatch):
    drawn, bands = [], Strip.bands
    monkeypatch.setattr(Strip, "bands", lambda *args: drawn.append(args) or bands(*args))
    made = coupon_artwork(book, tmp_path / "once", dpi=300)
    assert len(drawn) == 1
    strip, white = (
        np.asarray(Image.open(tmp_path / "once" / "300dpi" / name))
        for name in ("strip.png", "strip-white.png")
    )
    assert made.strip == drawn[0][0]
    assert ((strip[..., 3] > 0) == (white == 0)).all() and (white == 0).any()


def test_the_pdfs_have_the_coupons_size_and_look(printed):
    import pymupdf

    made, folder = printed
    with pymupdf.open(folder / "coupons.pdf") as pages:
        assert len(pages) == len(made.strip.labels)
        mm = 25.4 / 72
        half = coupon_layout("wash")
        assert pages[0].rect.width * mm == pytest.approx(WIDTH, abs=0.1)
        assert pages[0].rect.height * mm == pytest.approx(half.height, abs=0.1)
        drawn = pages[0].get_pixmap(dpi=254)
        seen = np.frombuffer(drawn.samples, np.uint8).reshape(drawn.h, drawn.w, 3)
    picture = coupon_picture(made.strip.labels[0], 10)
    paper = np.where(picture[..., 3:] > 0, picture[..., :3], np.uint8(255)).astype(int)
    rows, columns = (min(a, b) for a, b in zip(seen.shape[:2], paper.shape[:2], strict=True))
    differ = np.abs(seen[:rows, :columns] - paper[:rows, :columns]).max(axis=2) > 60
    assert differ.mean() < 0.02  # pixels that an edge runs through
    with pymupdf.open(folder / "strip.pdf") as pages:
        assert len(pages) == 2
        assert pages[1].rect.height * mm == pytest.approx(made.strip.length, abs=0.1)


def test_film_and_ink_are_told(printed):
    made, _ = printed
    film, ink, size = made.lines()
    assert "10 coupons for 5 presses" in film and f"{made.strip.length / 1000:.2f} m long" in film
    assert f"{made.white:.0f} cm² of white" in ink and "no source" in ink and "100 %" in size
    assert 0 < made.colour < made.white < made.strip.width * made.strip.length / 100


def test_mirrored_and_chosen_presses(book, tmp_path):
    first = int(book.runs()["press"].iloc[0])
    made = coupon_artwork(book.path, tmp_path, presses=[first], mirror=True, dpi=(300,))
    with Image.open(tmp_path / "300dpi" / f"press-{first:03d}.png") as opened:
        mirrored = np.asarray(opened)
    straight = coupon_picture(Label(session_code(book.mark), first), 300 / 25.4)
    assert np.array_equal(mirrored[:, ::-1], straight) and made.presses == 1


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"dpi": 72}, "dpi: got 72; accepted 300 or 600"),
        ({"presses": [99]}, "press 99: not in small.dtfbook"),
        ({"film_width": 50}, "film width: got 50 mm"),
    ],
)
def test_what_cannot_be_printed_is_said_and_nothing_written(book, tmp_path, wrong, says):
    with pytest.raises(CouponError, match=says):
        coupon_artwork(book, tmp_path / "film", **wrong)
    assert not (tmp_path / "film").exists()


def test_a_book_without_open_presses_says_so(tmp_path):
    with (
        Logbook.create(tmp_path / "none.dtfbook", SESSION) as empty,
        pytest.raises(CouponError, match="still to be made"),
    ):
        coupon_artwork(empty, tmp_path / "film")


def test_png_in_bands_is_what_another_library_reads():
    rng = np.random.default_rng(3)
    for shape in ((7, 5, 4), (7, 5)):
        picture = rng.integers(0, 256, shape, dtype=np.uint8)
        content = png([picture[:3], picture[3:]], 600)
        with Image.open(io.BytesIO(content)) as opened:
            opened.load()
            assert np.array_equal(np.asarray(opened), picture)
            assert opened.info["dpi"] == pytest.approx((600, 600), abs=0.01)
