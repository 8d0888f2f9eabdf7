"""Photos of coupons in the page: small, upright, without their place; a lost one is told."""

from __future__ import annotations

import base64
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from dtfexp import Fabric, Factor, Logbook, Outcome, Session, plan, report
from dtfexp.book.store.photos import keep_photo, photos
from dtfexp.show.report.photo_thumbnails import LONGEST, pictures

SESSION = Session(
    "Invented coupons",
    [Factor("press_time", 5, 25, "s", 1, "press", spread=1, usual=15)],
    [Outcome("peel")],
    ["cotton", Fabric("nylon", 150)],
)


def photo(colour: str, turned: bool = False, size: tuple[int, int] = (1600, 900)) -> bytes:
    """A camera's photo, its upper half in ``colour``; turned: lying, with a note to turn it."""
    picture = Image.new("RGB", size, "white")
    picture.paste(colour, (0, 0, size[0], size[1] // 2))
    exif = Image.Exif()
    exif[0x010E] = "SECRET PLACE"  # ImageDescription
    if turned:
        picture = picture.rotate(90, expand=True)
        exif[0x0112] = 6  # Orientation: turn clockwise to see it upright (Exif 2.3, table 4)
    buffer = BytesIO()
    picture.save(buffer, "JPEG", exif=exif)
    return buffer.getvalue()


@pytest.fixture
def book(tmp_path: Path) -> Any:
    with Logbook.create(tmp_path / "a.dtfbook", SESSION) as made:
        made.add(plan(SESSION, 4, seed=1))
        yield made


def test_they_are_small_upright_and_tell_no_place(book: Logbook) -> None:
    keep_photo(book, 1, photo("red"))
    keep_photo(book, 2, photo("blue", turned=True))
    found = pictures(photos(book))
    for press, red in ((1, True), (2, False)):
        (one,) = found.of[press]
        content = base64.b64decode(one.address.removeprefix("data:image/jpeg;base64,"))
        assert len(content) < 20_000 and b"SECRET" not in content
        seen = Image.open(BytesIO(content))
        assert seen.size == (one.width, one.height) == (LONGEST, LONGEST * 900 // 1600)
        pixel = seen.getpixel((LONGEST // 2, 10))
        assert (pixel[0] > 200, pixel[2] > 200) == (red, not red)
    assert found.note == ""


def test_what_cannot_be_shown_is_said(book: Logbook) -> None:
    for press in (1, 2, 3):
        keep_photo(book, press, photo("red", size=(64, 40 + press)))
    keep_photo(book, 1, b"\xff\xd8\xff no picture at all")
    first, *_ = photos(book, 2)
    first.path.unlink()
    found = pictures(photos(book))
    assert list(found.of) == [1, 3]
    assert "press 2: photo" in found.note and "cannot be read" in found.note
    assert "press 1: photo" in found.note and "is damaged" in found.note
    # Where room is short, every press keeps one before any has two; the rest is counted.
    keep_photo(book, 1, photo("green", size=(64, 60)))
    whole = pictures(photos(book))
    assert [len(whole.of[press]) for press in (1, 3)] == [2, 1]
    room = sum(len(whole.of[press][0].address) for press in (1, 3))
    short = pictures(photos(book), budget=room)
    assert [len(short.of[press]) for press in (1, 3)] == [1, 1]
    assert "1 more photo is in the folder beside the logbook." in short.note


def test_the_report_shows_them_with_what_became_of_the_press(book: Logbook, tmp_path: Path) -> None:
    runs = book.runs().set_index("press")["fabric"]
    nylon = int(runs[runs == "nylon"].index[0])
    cotton = int(runs[runs == "cotton"].index[0])
    book.record(nylon, {"peel": 2})
    keep_photo(book, nylon, photo("red"))
    keep_photo(book, cotton, photo("blue"))
    page = report(book, tmp_path / "both")[0].read_text()
    assert page.count("<img ") == 2
    assert f'alt="Photo: Press {nylon}, failed: peel 2"' in page
    assert page.index(f"Photo: Press {cotton},") < page.index('<h2 id="fabric-2">nylon')
    assert page.index(f"Photo: Press {nylon},") > page.index('<h2 id="fabric-2">nylon')
    alone = report(book, tmp_path / "one", fabrics=["nylon"])[0].read_text()
    assert alone.count("<img ") == 1
    assert report(book, tmp_path / "again")[0].read_text() == page
