"""A plan in blocks (days, rolls, lots) through the logbook, sheets and the fit."""

from __future__ import annotations

import pandas as pd
import pytest

from dtfexp import Logbook, fit, next_presses, plan
from dtfexp.dialin.encode.results import check_results
from tests.dialin.bench import FOUR


@pytest.fixture
def book(tmp_path):
    with Logbook.create(tmp_path / "days.dtfbook", FOUR) as opened:
        opened.add(plan(FOUR, 12, blocks=["Monday", "Tuesday"]))
        yield opened


def test_the_planned_block_stands_in_runs_and_results(book):
    assert book.runs()["block"].value_counts().to_dict() == {"Monday": 6, "Tuesday": 6}
    assert book.results()["block"].tolist() == book.runs()["block"].tolist()
    book.record(1, {"peel": 4}, block="Wednesday")
    assert book.results()["block"].tolist()[:2] == ["Wednesday", "Monday"]
    checked = check_results(FOUR, book.results())
    assert set(checked["block"]) == {"Monday", "Tuesday", "Wednesday"}


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_export_and_import_keep_blocks(book, tmp_path, kind):
    for press in range(1, 13):
        book.record(press, {"peel": 4, "wash": 3 + press % 3})
    written = [path for path in book.export(tmp_path / "out") if path.name == f"results.{kind}"]
    assert len(written) == 1
    with Logbook.create(tmp_path / "again.dtfbook", FOUR) as again:
        again.add(plan(FOUR, 12, blocks=["Monday", "Tuesday"]))
        again.import_results(written[0])
        pd.testing.assert_frame_equal(
            again.results()[["press", "block", "peel", "wash"]],
            book.results()[["press", "block", "peel", "wash"]],
        )


def test_presses_without_blocks_may_follow(book):
    for press in range(1, 13):
        book.record(press, {"peel": 4, "wash": 3 + press % 3})
    book.add(next_presses(FOUR, book.results(), 4))
    assert book.runs()["block"].isna().sum() == 4
    checked = check_results(FOUR, book.results())
    assert checked["block"].tolist()[12:] == [""] * 4
    assert fit(FOUR, book.results()).presses_used("cotton") == 12
