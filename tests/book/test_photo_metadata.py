"""Photos leave their place, time and owner behind; the picture stays as it was seen."""

from __future__ import annotations

import io
import warnings

import pytest
from PIL import Image

from dtfexp import Logbook, LogbookError
from dtfexp.book.store import photos

SECRET = "52.5 north, Ana's phone"


def picture() -> Image.Image:
    made = Image.new("RGB", (64, 32), "white")
    made.paste("red", (0, 0, 32, 16))  # top left, before it is turned
    return made


def saved(kind: str, orientation: int) -> bytes:
    exif = Image.Exif()
    exif[0x010E], exif[0x0112] = SECRET, orientation
    exif.get_ifd(0x8825)[1] = "N"  # a place
    out = io.BytesIO()
    more = {"comment": SECRET.encode()} if kind == "JPEG" else {}
    if kind == "PNG":
        from PIL.PngImagePlugin import PngInfo

        info = PngInfo()
        info.add_text("Author", SECRET)
        more = {"pnginfo": info}
    picture().save(out, kind, exif=exif, quality=95, **more)
    content = out.getvalue()
    # A phone hangs a second picture, with its own place, behind the end.
    return content + content if kind == "JPEG" else content


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", [1, 6])
def test_nothing_but_the_picture_is_kept_and_exported(book: Logbook, tmp_path, kind, orientation):
    given = saved(kind, orientation)
    assert SECRET.encode() in given
    photos.keep_photo(book, 1, given)
    (photo,) = photos.photos(book, 1)
    book.export(tmp_path / "out")
    for content in (photo.read(), *(p.read_bytes() for p in (tmp_path / "out/photos").iterdir())):
        assert SECRET.encode() not in content and b"Exif" not in content
        with Image.open(io.BytesIO(content)) as shown:
            assert not shown.getexif() and shown.format == kind
            assert shown.size == ((64, 32) if orientation == 1 else (32, 64))
            # Turned clockwise (6), what was top left is top right.
            place = (4, 4) if orientation == 1 else (27, 4)
            red, green, blue = shown.convert("RGB").getpixel(place)
            assert red > 200 and max(green, blue) < 90
    if orientation == 1:
        with Image.open(io.BytesIO(given)) as before, Image.open(io.BytesIO(photo.read())) as after:
            assert before.convert("RGB").tobytes() == after.convert("RGB").tobytes()
    with Logbook.restore(tmp_path / "out" / "logbook.json", tmp_path / "r.dtfbook") as again:
        assert photos.photos(again, 1)[0].read() == photo.read()


def test_a_photo_without_metadata_and_one_that_is_broken_stay_as_they_are() -> None:
    out = io.BytesIO()
    picture().save(out, "JPEG")
    assert photos.without_metadata(out.getvalue(), "jpg") == out.getvalue()
    for cut in range(2, len(out.getvalue()), 7):
        broken = out.getvalue()[:cut]
        assert photos.without_metadata(broken, "jpg") == broken


def older(book: Logbook, monkeypatch, press: int, content: bytes) -> str:
    """Keep a photo as an older version did: as it came."""
    with monkeypatch.context() as before:
        before.setattr(photos, "without_metadata", lambda content, suffix: content)
        return photos.keep_photo(book, press, content)


def test_a_photo_of_an_older_version_leaves_the_book_without_its_place(
    book: Logbook, tmp_path, monkeypatch
) -> None:
    key = older(book, monkeypatch, 1, saved("JPEG", 6))
    photos.keep_photo(book, 2, saved("PNG", 1))
    gone = older(book, monkeypatch, 3, saved("WEBP", 1))
    book.take_back(gone)
    old = photos.photos(book, 1)[0].path
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for _ in range(2):
            book.export(tmp_path / "out")
    given = list((tmp_path / "out/photos").iterdir())
    assert len(given) == 3 and old.name not in [one.name for one in given]
    for one in given:
        assert SECRET.encode() not in one.read_bytes() and b"Exif" not in one.read_bytes()
    # In the book the photo is the same one, shown without its place; what was kept is still there.
    now = photos.photos(book, 1)[0]
    assert (now.id, len(photos.photos(book))) == (key, 2) and now.path != old
    assert SECRET.encode() not in now.read() and SECRET.encode() in old.read_bytes()
    assert Logbook.check(book.path) == []
    with Logbook.restore(tmp_path / "out" / "logbook.json", tmp_path / "again.dtfbook") as again:
        assert photos.photos(again, 1)[0].read() == now.read()
        assert Logbook.check(again.path) == []
        again.export(tmp_path / "twice")
    copied = sorted(one.name for one in (tmp_path / "twice/photos").iterdir())
    assert copied == sorted(one.name for one in given)


def test_a_book_that_cannot_be_written_to_holds_such_a_photo_back(
    book: Logbook, tmp_path, monkeypatch
) -> None:
    older(book, monkeypatch, 1, saved("JPEG", 1))

    def refused(*_: object) -> None:
        raise LogbookError("read only")

    monkeypatch.setattr(photos, "clean", refused)
    with pytest.warns(UserWarning, match="not exported: photo .* holds what a camera writes"):
        book.export(tmp_path / "out")
    assert not (tmp_path / "out/photos").exists()
