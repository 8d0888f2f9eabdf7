"""Small files that could eat the machine: each is refused in one clear line, before it is read.

``tests.bench.proof_imports`` takes all of them and measures memory and seconds, and spoils
thousands of files of every kind; here is the short form of both.
"""

from __future__ import annotations

import os
import random
import tracemalloc

import pytest

from dtfexp import ResultsError
from tests.bench import large_files, proof_imports

#: Made by the hundred megabytes; the long form takes them.
LONG = {"packed cells", "packed cells, far less packed", "two million shared texts"}
LONG |= {"60 MB of nothing", "a million formatted empty rows", "19.6 MB of text"}
LONG |= {"4.9 MB of line ends", "4.9 MB of short rows", "4.9 MB of quotes"}


@pytest.mark.parametrize("name", sorted(set(large_files.FILES) - LONG))
def test_a_file_beyond_the_limits_is_refused_in_a_line(fault, name) -> None:
    file, make = large_files.FILES[name]
    content = make()
    tracemalloc.start()
    try:
        told = fault(content, file)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(told) < 400 and most < 150e6, (told, most)


def test_formatted_rows_and_tightly_packed_parts_are_counted_not_read(fault) -> None:
    rows = b"".join(b'<row r="%d" s="1"/>' % k for k in range(3, 20_003))
    assert "it reaches to row 20001" in fault(large_files.with_sheet(rows), "a.xlsx")
    cells = b"<row>" + b"<c/>" * 200_001 + b"</row>"
    assert "more than 200000 cells" in fault(large_files.with_sheet(cells), "a.xlsx")
    packed = large_files.with_part("xl/sharedStrings.xml", b"<si/>" * 500_000)
    assert "packed 100 times smaller" in fault(packed, "a.xlsx")
    assert "more than 5 MB of text" in fault(b"press,peel\n" + b"1,4\n" * 1_300_000)


def test_a_pipe_is_no_file_to_wait_for(book, tmp_path) -> None:
    os.mkfifo(tmp_path / "a.csv")
    with pytest.raises(ResultsError, match="no plain file"):
        book.import_sheet(tmp_path / "a.csv")


def test_the_largest_session_that_is_accepted_still_comes_in(take) -> None:
    heads = ["press", "peel", *(f"x{k}" for k in range(60))]
    rows = [[press, 1 + press % 5, *["x"] * 60] for press in range(1, 9)]
    assert take([heads, *rows]).added == 8


@pytest.mark.parametrize("kind", sorted(proof_imports.KINDS))
def test_a_spoilt_file_is_taken_or_refused_in_a_line(tmp_path, kind, monkeypatch) -> None:
    monkeypatch.setattr(proof_imports, "KINDS", {kind: proof_imports.KINDS[kind]})
    (tally,) = proof_imports.fuzz(tmp_path, 40, random.Random(20261129).randrange(10**6)).values()
    assert set(tally) <= {"taken", "clear"} and tally["clear"] > 10, tally
