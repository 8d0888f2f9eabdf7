"""Readings of coupons beside the grades: kept, superseded, never overwritten."""

from __future__ import annotations

import io
import sqlite3
from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from dtfexp import CouponError, Logbook, LogbookError
from dtfexp.book.coupons import readings as coupons
from dtfexp.book.store import photos
from dtfexp.coupon.measures import ColourChange, CouponMeasures, Measured
from dtfexp.coupon.payload import Half, Label, session_code

CHANGE = ColourChange((50, 10, -20), (55, 8, -18), Measured(5.1, 0.4))


def picture(shade: int = 0) -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.full((8, 8, 3), shade, dtype=np.uint8)).save(out, "PNG")
    return out.getvalue()


def measures(book: Logbook, press: int, missing: float, half: Half = "one") -> CouponMeasures:
    label = Label(session_code(book.mark), press, half)
    return CouponMeasures(
        label, "before", missing=Measured(missing, 0.5), cracked=Measured(0, 0.1),
        colours={"cyan": CHANGE}, quality={"blur": 0.1},
    )  # fmt: skip


def test_a_reading_is_kept_once_with_picture_measures_and_proposal(book: Logbook) -> None:
    first = coupons.keep_reading(book, measures(book, 2, 5.0), picture(), by="Bo")
    assert coupons.keep_reading(book, measures(book, 2, 5.0), picture(), by="Bo") == first
    with Logbook.open(book.path) as other:
        (found,) = coupons.readings(other)
        assert found == first and (found.press, found.washes, found.by) == (2, 0, "Bo")
        assert found.measures == measures(book, 2, 5.0)
        assert found.proposals["peel"].value == 3
        (photo,) = photos.photos(other, 2)
        assert photo.id == found.photo and photo.read() == picture()
    assert Logbook.check(book.path) == []


def test_several_coupons_of_one_picture_share_its_file(book: Logbook) -> None:
    for press in (1, 2, 3):
        coupons.keep_reading(book, measures(book, press, 1.0), picture())
    assert len(list(photos.folder_of(book).iterdir())) == 1
    assert [one.press for one in coupons.readings(book)] == [1, 2, 3]
    assert [one.press for one in coupons.readings(book, 2)] == [2]


def test_a_later_reading_stands_in_place_of_an_earlier_one(book: Logbook) -> None:
    early = coupons.keep_reading(book, measures(book, 2, 25.0), picture(1))
    late = coupons.keep_reading(book, measures(book, 2, 0.2), picture(2))
    washed = coupons.keep_reading(book, measures(book, 2, 3.0), picture(3), washes=5)
    found = coupons.readings(book)
    assert [one.id for one in found] == [early.id, late.id, washed.id]
    told = coupons.proposed(found)[2]
    # CHANGE has lightness 5 among it: 2-3 of the grey scale, by ISO 105-A05.
    assert told["peel"].value == 5 and told["wash"].value == 2.5
    assert told["colour change"].value == 5.1
    frame = coupons.frame(found)
    assert frame["holds"].tolist() == [False, True, True]
    assert frame["missing"].tolist() == [25.0, 0.2, 3.0]
    assert frame["cyan_ciede2000"].tolist() == [5.1] * 3
    book.take_back(late.id)
    assert coupons.proposed(coupons.readings(book))[2]["peel"].value == 1


def test_a_kept_half_says_nothing_of_the_wash(book: Logbook) -> None:
    coupons.keep_reading(book, measures(book, 4, 9.0, "keep"), picture(), washes=5)
    assert coupons.proposed(coupons.readings(book)) == {}
    coupons.keep_reading(book, measures(book, 4, 9.0, "wash"), picture(), washes=5)
    assert coupons.proposed(coupons.readings(book))[4]["wash"].value < 5


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        ({"session": "00000"}, CouponError, "of another logbook"),
        ({"press": 99}, LogbookError, "press 99 is not in the book"),
    ],
)
def test_a_coupon_that_is_not_of_this_book_is_refused(
    book: Logbook, change: dict[str, Any], error: type[Exception], says: str
) -> None:
    told = {"session": session_code(book.mark), "press": 2, **change}
    wrong = CouponMeasures(Label(**told), "artwork", missing=Measured(1, 1))
    with pytest.raises(error, match=says):
        coupons.keep_reading(book, wrong, picture())
    assert coupons.readings(book) == [] and not photos.folder_of(book).exists()


def test_no_picture_or_no_washes_is_refused(book: Logbook) -> None:
    with pytest.raises(LogbookError, match="accepted JPEG"):
        coupons.keep_reading(book, measures(book, 2, 1.0), b"GIF89a")
    with pytest.raises(ValueError, match="washes"):
        coupons.keep_reading(book, measures(book, 2, 1.0), picture(), washes=-1)
    assert coupons.readings(book) == []


def test_history_and_export_show_grade_and_proposal(book: Logbook) -> None:
    book.record(2, {"peel": 5}, by="before the picture")
    coupons.keep_reading(book, measures(book, 2, 5.0), picture())
    book.record(2, {"peel": 4, "hand": True}, by="after it")
    book.record(2, {"hand": False})
    told = book.history(2)["proposed"].tolist()
    assert told[0] == "" and told[2] == ""
    assert told[1].startswith("peel 3 (") and "5.0 % of the print missing" in told[1]
    assert "hand" not in told[1]
    assert book.results().set_index("press").loc[2, "peel"] == 4
    folder = book.path.parent / "out"
    names = {path.name for path in book.export(folder)}
    assert "coupons.csv" in names
    history = pd.read_csv(folder / "history.csv", encoding="utf-8-sig")
    assert history["proposed"].dropna().tolist() == [told[1]]
    read = pd.read_csv(folder / "coupons.csv", encoding="utf-8-sig")
    assert read["missing"].tolist() == [5.0] and read["missing_sd"].tolist() == [0.5]
    again = Logbook.restore(folder / "logbook.json", book.path.parent / "again.dtfbook")
    with again:
        assert coupons.readings(again) == coupons.readings(book)
        assert again.mark == book.mark, "its coupons stay readable"


def test_a_later_reading_does_not_change_what_was_proposed_then(book: Logbook) -> None:
    coupons.keep_reading(book, measures(book, 2, 5.0), picture(1))
    book.record(2, {"peel": 3})
    coupons.keep_reading(book, measures(book, 2, 0.1), picture(2))
    (early, late), made = coupons.readings(book), book.history(2)
    assert early.at <= made["time"].iloc[0] <= late.at
    if late.at - made["time"].iloc[0] > timedelta(0):
        assert made["proposed"].iloc[0].startswith("peel 3")


def test_a_book_without_readings_exports_no_sheet_of_them(book: Logbook) -> None:
    assert "coupons.csv" not in {path.name for path in book.export(book.path.parent / "out")}


def test_a_note_that_no_logbook_writes_is_named(book: Logbook) -> None:
    book.keep(coupons.READING, {"press": 2, "washes": 0})
    with pytest.raises(LogbookError, match=r"note 1 \(coupon reading\) cannot be read"):
        coupons.readings(book)


def test_readings_go_in_the_chain(book: Logbook) -> None:
    coupons.keep_reading(book, measures(book, 2, 5.0), picture())
    path = book.path
    book.close()
    with sqlite3.connect(path) as raw:
        (trigger,) = raw.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'journal_no_update'"
        ).fetchone()
        raw.execute("DROP TRIGGER journal_no_update")
        raw.execute(
            "UPDATE journal SET said = replace(said, '5.0', '0.0') WHERE kind = ?",
            (coupons.READING,),
        )
        raw.execute(trigger)
    assert any("coupon reading" in line for line in Logbook.check(path))
