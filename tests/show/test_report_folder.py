"""The folder that a report is written into: names, papers that go or stay, nothing half written."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from dtfexp import DtfexpError
from dtfexp.show.report.report import MANIFEST, card_names, write_papers
from tests.show.conftest import StandInFit, make_results, make_session
from tests.show.test_page import page


def test_card_names_are_safe_and_all_different() -> None:
    names = card_names(["Cotton", "cotton", "COTTON!", "Größe Ø", "***", "织物", "a" * 80])
    assert names == [
        "card-cotton.pdf",
        "card-cotton-2.pdf",
        "card-cotton-3.pdf",
        "card-grösse-ø.pdf",
        "card-fabric.pdf",
        "card-织物.pdf",
        f"card-{'a' * 60}.pdf",
    ]
    assert all(len(name.encode()) < 250 for name in names)


def test_the_same_data_gives_the_same_bytes(fit: StandInFit, tmp_path: Path) -> None:
    page(fit, tmp_path / "one")
    page(fit, tmp_path / "two")
    for path in sorted((tmp_path / "one").iterdir()):
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_papers_of_another_session_go_and_files_of_strangers_stay(
    fit: StandInFit, tmp_path: Path
) -> None:
    page(fit, tmp_path)
    (tmp_path / "card-mine.pdf").write_bytes(b"a stranger's")
    (tmp_path / "card-polyester.pdf").write_bytes(b"changed by hand")
    (tmp_path / "windows.csv").rename(tmp_path / "kept.csv")
    other = make_session(["linen"], name="Spring dial-in")
    page(StandInFit(other, make_results(other)), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        MANIFEST,
        "card-linen.pdf",
        "card-mine.pdf",
        "card-polyester.pdf",
        "kept.csv",
        "report.html",
        "windows.csv",
        "windows.json",
    ]
    # Of one session, the cards of fabrics that are not asked for this time stay.
    three = make_session(["linen", "wool", "silk"], name="Three")
    write_papers(StandInFit(three, make_results(three)), tmp_path, fabrics=["wool"])  # type: ignore[arg-type]
    write_papers(StandInFit(three, make_results(three)), tmp_path, fabrics=["silk"])  # type: ignore[arg-type]
    cards = {path.name for path in tmp_path.glob("card-*.pdf")}
    assert cards == {"card-mine.pdf", "card-polyester.pdf", "card-wool.pdf", "card-silk.pdf"}


@pytest.mark.parametrize(
    "told",
    [
        "",
        "{",
        "[]",
        '{"session": 1, "papers": {"../gone.txt": "x"}}',
        '{"session": 1, "papers": 3}',
    ],
)
def test_a_list_that_is_not_ours_removes_nothing(
    fit: StandInFit, tmp_path: Path, told: str
) -> None:
    (tmp_path / "gone.txt").write_text("x")
    (tmp_path / "out").mkdir()
    digest = hashlib.sha256(b"x").hexdigest()
    (tmp_path / "out" / MANIFEST).write_text(told.replace('"x"', f'"{digest}"'))
    write_papers(fit, tmp_path / "out", fabrics=["polyester"])  # type: ignore[arg-type]
    assert (tmp_path / "gone.txt").exists()


def test_the_fit_is_asked_twice_a_fabric_and_no_more(fit: StandInFit, tmp_path: Path) -> None:
    page(fit, tmp_path)
    assert len(fit.calls) == 2 * len(fit.session.fabrics)


def test_a_file_in_the_way_is_told_in_one_line(fit: StandInFit, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("not a folder")
    with pytest.raises(DtfexpError, match=r"report\.html: cannot be written") as told:
        write_papers(fit, tmp_path / "out", fabrics=["polyester"])  # type: ignore[arg-type]
    assert "\n" not in str(told.value)


def test_nothing_is_left_half_written(
    fit: StandInFit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page(fit, tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(DtfexpError, match="No space left"):
        write_papers(fit, tmp_path, fabrics=["polyester"])  # type: ignore[arg-type]
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_progress_counts_up_to_the_end(fit: StandInFit, tmp_path: Path) -> None:
    told: list[tuple[int, int, str]] = []
    page(fit, tmp_path, progress=lambda *step: told.append(step))
    done = [step[0] for step in told]
    assert done == sorted(done)
    assert told[-1] == (9, 9, "done")
    assert {step[1] for step in told} == {9}
    assert [step[2] for step in told[1:-1]].count("windows") == 4
