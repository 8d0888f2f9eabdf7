"""Photos beside the book: kept once, on the disk first, never overwritten, or refused."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from dtfexp import Logbook, LogbookError
from dtfexp.book.store import photos

JPEG = b"\xff\xd8\xff\xe0" + bytes(range(200))
PNG = b"\x89PNG\r\n\x1a\n" + bytes(50)


def test_a_photo_is_kept_once_and_read_back_by_another(book: Logbook) -> None:
    first = photos.keep_photo(book, 2, JPEG, by="Bo", id="tap-1")
    assert photos.keep_photo(book, 2, JPEG, by="Bo", id="tap-1") == first == "tap-1"
    photos.keep_photo(book, 2, PNG)
    photos.keep_photo(book, 5, JPEG)
    with Logbook.open(book.path) as other:
        found = photos.photos(other, 2)
        assert [photo.read() for photo in found] == [JPEG, PNG]
        assert [photo.media_type for photo in found] == ["image/jpeg", "image/png"]
        assert (found[0].by, found[0].at.tzinfo is None) == ("Bo", False)
        assert photos.counts(photos.photos(other)) == {2: 2, 5: 1}
    # The same picture of two presses is one file.
    assert len(list(photos.folder_of(book).iterdir())) == 2
    book.take_back(first)
    assert [photo.read() for photo in photos.photos(book, 2)] == [PNG]
    assert len(list(photos.folder_of(book).iterdir())) == 2, "its file stays"


@pytest.mark.parametrize(
    ("press", "content", "told"),
    [
        (2, b"GIF89a", "accepted JPEG, PNG and WebP"),
        (2, b"", "no photo"),
        (2, b"\xff\xd8\xff" + bytes(photos.LARGEST), "at most 8 MB"),
        (99, JPEG, "press 99 is not in the book"),
        ("x", JPEG, "press is 'x'"),
    ],
)
def test_what_is_no_photo_is_refused_and_leaves_nothing(
    book: Logbook, press: int, content: bytes, told: str
) -> None:
    with pytest.raises(LogbookError, match=told) as caught:
        photos.keep_photo(book, press, content)
    assert "\n" not in str(caught.value)
    assert photos.photos(book) == [] and not photos.folder_of(book).exists()


def test_the_file_is_on_the_disk_before_the_note_that_names_it(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    replace, keep, sync = Path.replace, Logbook.keep, os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (done.append("sync"), sync(handle))[1])
    monkeypatch.setattr(
        Path, "replace", lambda self, to: (done.append("named"), replace(self, to))[1]
    )
    monkeypatch.setattr(
        Logbook, "keep", lambda self, *a, **k: (done.append("note"), keep(self, *a, **k))[1]
    )
    photos.keep_photo(book, 1, JPEG)
    assert done[:3] == ["sync", "named", "sync"] and done[-1] == "note"


def test_a_lost_or_changed_file_is_told_and_a_folder_in_the_way_too(book: Logbook) -> None:
    photos.keep_photo(book, 1, JPEG)
    (photo,) = photos.photos(book)
    photo.path.write_bytes(JPEG + b"!")
    with pytest.raises(LogbookError, match="was changed after it was kept"):
        photo.read()
    photo.path.unlink()
    with pytest.raises(LogbookError, match="belongs beside the logbook"):
        photo.read()
    photos.folder_of(book).rmdir()
    photos.folder_of(book).write_text("a file of that name")
    with pytest.raises(LogbookError, match="nothing was kept"):
        photos.keep_photo(book, 3, JPEG)
    assert [p.press for p in photos.photos(book)] == [1]


@pytest.mark.parametrize("name", ["../secret.png", "x.jpg", 3, None])
def test_a_note_that_names_another_file_opens_none(book: Logbook, name: object) -> None:
    book.keep("photo", {"press": 1, "file": name})
    with pytest.raises(LogbookError, match="which no logbook writes"):
        photos.photos(book)
