"""Whatever is recorded comes back from a sheet; an import is taken whole or not at all."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from dtfexp import Logbook, LogbookError, ResultsError
from dtfexp.dialin.encode.results import check_results

VARIANTS = 300
#: Not about the disk, so kept off it where that can be.
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None

text = st.text(max_size=30) | st.sampled_from(
    ["=1+1", "'=x", "''-", "-", "+", "@", "a;b,c", '"', "\n", "line\nline", "_x000D_", "#N/A", "5"]
)
number = st.floats(0, 500, allow_nan=False).map(lambda value: round(value, 6))
grades = st.fixed_dictionaries(
    {},
    optional={
        "peel": st.integers(1, 5) | st.none(),
        "wash": st.integers(2, 10).map(lambda k: k / 2) | st.none(),
        "colour change": st.floats(0, 12).map(lambda value: round(value, 3)) | st.none(),
        "hand": st.sampled_from([0, 1, "pass", True]) | st.none(),
    },
)
actual = st.fixed_dictionaries(
    {},
    optional={
        "press temperature": number | st.none(),
        "cure time": number | st.none(),
        "peel wait": st.sampled_from(["hot", "warm", "cold"]) | st.none(),
    },
)
record = st.fixed_dictionaries(
    {"press": st.integers(1, 4)},
    optional={
        "grades": grades,
        "actual": actual,
        "note": text | st.none(),
        "block": text | st.none(),
        "defects": st.lists(text, max_size=3) | st.none(),
    },
).map(lambda said: ("record", said))
other = st.tuples(
    st.sampled_from(["exclude", "redo"]),
    st.fixed_dictionaries({"press": st.integers(1, 4), "reason": text}),
) | st.tuples(st.just("include"), st.fixed_dictionaries({"press": st.integers(1, 4)}))
#: A sheet exported and taken back in says nothing new, wherever it falls.
sheet = st.tuples(st.just("sheet"), st.sampled_from(["results.csv", "results.xlsx"]))
kept = st.tuples(
    st.just("keep"),
    st.fixed_dictionaries(
        {
            "kind": st.just("any"),
            "said": st.dictionaries(
                text, text | number | st.none() | st.booleans(), min_size=1, max_size=3
            ),
        }
    ),
)
steps = st.lists(record | record | other | sheet | kept, max_size=8)


def do(book: Logbook, step: tuple[str, Any], folder: Path) -> None:
    """One step; a step that says nothing, or has a comma in a defect, is refused and no matter."""
    what, said = step
    if what == "sheet":
        book.export(folder / "between")
        assert book.import_sheet(folder / "between" / said).added == 0
        return
    try:
        getattr(book, what)(**said)
    except (LogbookError, ResultsError) as error:
        assert "\n" not in str(error)


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps)
@example([("record", {"press": 1, "note": "-"}), ("record", {"press": 2, "note": "'=a"})])
@example([("record", {"press": 1, "block": "=lot"}), ("exclude", {"press": 1, "reason": "yes"})])
@example([("record", {"press": 1, "note": "a\x85b\u2028c"})])
@example([("exclude", {"press": 1, "reason": "no"}), ("exclude", {"press": 2, "reason": "-"})])
def test_any_book_comes_back_from_its_sheets(blank_book, doing) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as place:
        folder = Path(place)
        with blank_book(folder, "a.dtfbook") as book:
            for step in doing:
                do(book, step, folder)
            results, count, notes = book.results(), len(book.history()), book.kept()
            history = book.history()
            check_results(book.session, results)
            book.export(folder / "out")
            assert book.import_sheet(folder / "out" / "results.csv").added == 0
            assert book.import_sheet(folder / "out" / "results.xlsx").added == 0
            assert len(book.history()) == count
        source = folder / "out" / "logbook.json"
        with Logbook.restore(source, folder / "restored.dtfbook") as same:
            pd.testing.assert_frame_equal(same.results(), results)
            pd.testing.assert_frame_equal(same.history(), history)
            assert same.kept() == notes
        for name in ("results.csv", "results.xlsx"):
            with blank_book(folder, f"{name}.dtfbook") as fresh:
                fresh.import_sheet(folder / "out" / name)
                pd.testing.assert_frame_equal(fresh.results(), results)
                again = fresh.import_sheet(folder / "out" / name)
                assert again.added == 0
                fresh.export(folder / "again")
            first = pd.read_csv(folder / "out" / "results.csv", dtype=str)
            second = pd.read_csv(folder / "again" / "results.csv", dtype=str)
            pd.testing.assert_frame_equal(
                first.drop(columns="book_entry"), second.drop(columns="book_entry")
            )


JUNK: list[Any] = [
    "", " ", "6", "-1", "3.5", "ok", "305,5", "305 F", "1e400", "=1+1", "#REF!", "1" * 400, "\x00",
    "\ufeff", "5;5", '"', "'", "press", "nan", "inf", "∞", "½", "٥", "4-5", "yes", "no", "a\nb",
    "🔥" * 50, "°", "None", "1,234", "0x10", "98e96ddcbf26-99999999999999999999", "x" * 6000,
]  # fmt: skip
HEADINGS = [
    "press", "fabric", "peel", "wash", "colour change", "hand", "press temperature_actual",
    "press temperature (°C)", "cure time", "note", "defects", "excluded", "excluded_reason",
    "block", "by", "book_entry", "weather",
]  # fmt: skip


def good_rows(rng: random.Random) -> list[list[Any]]:
    heads = ["press", *rng.sample(HEADINGS[1:], rng.randint(1, 8))]
    values = {
        "press": [1, 2, 3, 4], "peel": [1, 5, ""], "wash": [4.5, ""], "colour change": [0.5, ""],
        "hand": ["pass", 0], "press temperature_actual": ["305 F", 305.5, ""], "note": ["a, b", ""],
        "defects": ["haze; lift", ""], "excluded": ["", "no"], "block": [1, "roll"], "by": ["Ana"],
    }  # fmt: skip
    rows = [heads]
    for press in range(1, rng.randint(2, 5)):
        rows.append([press, *(rng.choice(values.get(head, [""])) for head in heads[1:])])
    return rows


def as_csv(rng: random.Random, rows: list[list[Any]]) -> bytes:
    delimiter = rng.choice(",;\t")
    lines = []
    for row in rows:
        cells = []
        for cell in row:
            told = str(cell)
            if rng.random() < 0.9 and any(sign in told for sign in '",;\t\n'):
                told = '"' + told.replace('"', '""') + '"'
            cells.append(told)
        lines.append(delimiter.join(cells))
    encoding = rng.choice(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "utf-32"])
    return rng.choice(["\n", "\r\n", "\r"]).join(lines).encode(encoding, "replace")


def as_workbook(rng: random.Random, rows: list[list[Any]]) -> bytes:
    import io

    from openpyxl.utils.exceptions import IllegalCharacterError

    workbook = openpyxl.Workbook()
    for i, row in enumerate(rows, start=rng.randint(1, 3)):
        for j, value in enumerate(row, start=1):
            try:
                workbook.active.cell(i, j).value = value if value != "" else None
            except (IllegalCharacterError, ValueError):
                continue
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()


def spoil(rng: random.Random, rows: list[list[Any]]) -> None:
    """Change one thing about a sheet, in place."""
    row = rng.choice(rows)
    what = rng.random()
    if what < 0.6 and row:
        row[rng.randrange(len(row))] = rng.choice(JUNK)
    elif what < 0.7:
        rows.insert(rng.randrange(len(rows) + 1), list(row))
    elif what < 0.8:
        row.append(rng.choice(JUNK))
    elif what < 0.9 and row:
        row.pop()
    else:
        rows.insert(0, ["a title, perhaps"])


def spoil_bytes(rng: random.Random, content: bytes) -> bytes:
    spoilt = bytearray(content)
    for _ in range(rng.randint(1, 8)):
        where = rng.randrange(len(spoilt))
        what = rng.random()
        if what < 0.5:
            spoilt[where] = rng.randrange(256)
        elif what < 0.7:
            del spoilt[where : where + rng.randint(1, 40)]
        elif what < 0.9:
            spoilt[where:where] = rng.randbytes(rng.randint(1, 10))
        else:
            del spoilt[where:]
        if not spoilt:
            break
    return bytes(spoilt)


def take_variants(book: Logbook, folder: Path, variants: int, seed: int) -> dict[str, int]:
    """Import spoilt sheets one after another; counts of those taken and refused.

    Raises AssertionError for a half-taken sheet, a refusal of more than one line, or results that
    are none; anything but a ``ResultsError`` goes through.
    """
    rng = random.Random(seed)
    tally = {"taken": 0, "refused": 0}
    count, presses = len(book.history()), book.results()
    for turn in range(variants):
        rows = good_rows(rng)
        for _ in range(rng.choice([0, 1, 1, 2])):
            spoil(rng, rows)
        content = as_csv(rng, rows) if rng.random() < 0.7 else as_workbook(rng, rows)
        if rng.random() < 0.2 and content:
            content = spoil_bytes(rng, content)
        path = folder / f"variant.{rng.choice(['csv', 'xlsx', 'txt'])}"
        path.write_bytes(content)
        try:
            imported = book.import_sheet(path)
        except ResultsError as error:
            tally["refused"] += 1
            assert "\n" not in str(error), f"turn {turn}: {error}"
            assert len(str(error)) < 1000, f"turn {turn}"
            assert len(book.history()) == count, f"turn {turn}: half of a sheet came in"
            pd.testing.assert_frame_equal(book.results(), presses)
            continue
        tally["taken"] += 1
        count += imported.added
        assert len(book.history()) == count
        presses = book.results()
        check_results(book.session, presses)
        assert book.import_sheet(path).added == 0, f"turn {turn}: not the same twice"
    return tally


def test_any_file_is_taken_whole_or_not_at_all(blank_book, tmp_path: Path) -> None:
    """``tests.bench.proof_store`` takes thousands."""
    with blank_book(tmp_path, "a.dtfbook") as book:
        tally = take_variants(book, tmp_path, VARIANTS, 20260502)
    # Both must be common, or the test shows little.
    assert tally["taken"] > VARIANTS / 8
    assert tally["refused"] > VARIANTS / 4
