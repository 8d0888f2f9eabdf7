"""Verdicts kept beside the logbook: never of another state of the book, and no trouble to lose."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from dtfexp import Factor, Logbook, Outcome, Session, plan
from dtfexp.book import kept_verdicts
from dtfexp.book.bench.bench import Bench
from dtfexp.book.kept_verdicts import file_of
from dtfexp.book.status import status


class CountedFits:
    """Stands for the fit of a book; counts how often one was made."""

    def __init__(self) -> None:
        self.made = 0

    def __call__(self, _: object = None) -> Any:
        self.made += 1
        expected = f"Fit {self.made}."
        return SimpleNamespace(
            window=lambda _: SimpleNamespace(
                found=True, cautious=False, expectation=expected, proven=False, out_of_reach=False
            )
        )


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> CountedFits:
    counted = CountedFits()
    monkeypatch.setattr(Bench, "fitted", counted)
    return counted


@pytest.fixture
def path(tmp_path: Path) -> Path:
    factor = Factor("press temperature", 280, 330, "°F", 5, spread=4, usual=305)
    session = Session("spring", [factor], [Outcome("peel")], ["cotton", "fleece"])
    with Logbook.create(tmp_path / "my.dtfbook", session) as book:
        book.add(plan(session, 4))
        book.record(1, {"peel": 4})
    return tmp_path / "my.dtfbook"


def asked(path: Path) -> Any:
    with Logbook.open(path) as book:
        return status(book)


def test_asked_again_a_book_that_did_not_change_is_not_fitted(
    path: Path, fits: CountedFits
) -> None:
    first = asked(path)
    assert asked(path) == first and fits.made == 1
    assert [one.line for one in first.verdicts] == [
        "cotton: window found. Fit 1.", "fleece: window found. Fit 1."
    ]  # fmt: skip


@pytest.mark.parametrize(
    "change",
    [
        lambda book: book.record(2, {"peel": 3}),
        lambda book: book.record(1, note="torn"),
        lambda book: book.exclude(1, "lost") and book.record(2, {"peel": 5}),
        lambda book: book.undo(1) and book.record(3, {"peel": 5}),
        lambda book: book.bench.changed("powder"),
        lambda book: book.keep("room", {"celsius": 20.0}),
    ],
)
def test_any_further_record_has_the_book_fitted_again(
    change: Any, path: Path, fits: CountedFits
) -> None:
    asked(path)
    with Logbook.open(path) as book:
        change(book)
    assert asked(path).verdicts[0].sentence == "window found. Fit 2."


def test_another_program_fits_again(
    path: Path, fits: CountedFits, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked(path)
    monkeypatch.setattr(kept_verdicts, "__version__", "9.9.9")
    assert asked(path).verdicts[0].sentence == "window found. Fit 2."


def test_what_was_recorded_during_the_fit_is_not_passed_over(
    path: Path, fits: CountedFits, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fitted(bench: Bench) -> Any:
        with Logbook.open(path) as other:
            other.record(2, {"peel": 1})
        return fits(bench)

    with monkeypatch.context() as while_fitting:
        while_fitting.setattr(Bench, "fitted", fitted)
        asked(path)
    assert not file_of(path).exists()
    assert asked(path).verdicts[0].sentence == "window found. Fit 2."


def strange(text: str) -> Any:
    def spoil(file: Path) -> None:
        told = json.loads(file.read_text(encoding="utf-8"))
        told["verdicts"][0]["sentence"] = text
        file.write_text(json.dumps(told), encoding="utf-8")

    return spoil


@pytest.mark.parametrize(
    "spoil",
    [
        lambda file: file.write_bytes(b"\xff\x00"),
        lambda file: file.write_text("[]"),
        lambda file: file.write_text("{}"),
        lambda file: file.write_text("[" * 50_000),
        lambda file: file.write_text(file.read_text() + " " * 200_000),
        lambda file: file.write_text(file.read_text().replace("cotton", "linen")),
        lambda file: file.write_text(file.read_text().replace('"found"', '"lost"')),
        lambda file: file.unlink(),
        strange("window found.\x1b[2J"),
    ],
)
def test_a_file_that_cannot_be_used_costs_a_fit(spoil: Any, path: Path, fits: CountedFits) -> None:
    asked(path)
    spoil(file_of(path))
    assert asked(path).verdicts[0].sentence == "window found. Fit 2."
    assert asked(path).verdicts[0].sentence == "window found. Fit 2."


def test_copies_and_exports_hold_no_verdicts(path: Path, fits: CountedFits, tmp_path: Path) -> None:
    asked(path)
    assert file_of(path).exists()
    (tmp_path / "copies").mkdir()
    with Logbook.open(path) as book:
        book.backup(tmp_path / "copies")
        book.export(tmp_path / "sheets")
    assert not [*tmp_path.glob("copies/*verdicts*"), *tmp_path.glob("sheets/*verdicts*")]


def test_where_nothing_can_be_written_status_answers_all_the_same(
    path: Path, fits: CountedFits, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept_verdicts, "file_of", lambda book: book / "no folder" / "file")
    assert asked(path).verdicts[0].sentence == "window found. Fit 1."
