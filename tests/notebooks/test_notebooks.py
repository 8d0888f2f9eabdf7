"""The notebooks as a shop uses them: run in a folder of their own, twice, and clean as shipped."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import nbclient
import nbformat
import pytest

from dtfexp import Logbook
from dtfexp.shop.files import copy_if_absent, notebook_folder

ROOT = Path(__file__).parents[2]
NAMES = tuple(f"{name}.ipynb" for name in ("1_plan", "2_record", "3_report", "4_keep", "5_bench"))


def run(folder: Path, name: str) -> str:
    """Run all cells in ``folder``; returns all that was printed or shown as text."""
    notebook = nbformat.read(folder / name, as_version=4)
    nbclient.NotebookClient(
        notebook, timeout=180, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    found = []
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            assert output.get("name") != "stderr", output["text"]
            found.append(output.get("text", ""))
            found += [str(v) for k, v in output.get("data", {}).items() if k.startswith("text/")]
    return "\n".join(found)


def counts(folder: Path) -> dict[str, tuple[int, int, int]]:
    found = {}
    for file in sorted(folder.glob("*.dtfbook")):
        with Logbook.open(file) as book:
            found[file.name] = (len(book.runs()), len(book.history()), len(book.plans()))
    return found


@pytest.fixture(autouse=True)
def private(tmp_path_factory, monkeypatch):
    home = tmp_path_factory.mktemp("jupyter")
    monkeypatch.setenv("IPYTHONDIR", str(home))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]))


@pytest.fixture
def shop(tmp_path):
    copy_if_absent(tmp_path)
    return tmp_path


@pytest.mark.slow
def test_run_twice_they_change_nothing(shop):
    told = [run(shop, name) for name in NAMES]
    assert "was made, with a first look of 14 test presses" in told[0]
    assert "cotton jersey" in told[0] and "115 °C" in told[0]
    assert "PRACTICE" not in told[1]
    assert "Nothing is graded in logbook.dtfbook yet" in told[2] and "INVENTED" in told[2]
    assert "INVENTED" in told[3] and "cotton jersey: confirmed" in told[3]
    assert "ALARM" in told[3] and "most likely under-cured" in told[3]
    before = counts(shop)
    assert before["logbook.dtfbook"] == (14, 0, 1)
    # The report's notebook, the slowest, only reads the book; the next test counts that, too.
    again = [run(shop, name) for name in NAMES if not name.startswith("3")]
    assert "opened, and nothing in it was changed" in again[0]
    assert counts(shop) == before


@pytest.mark.slow
def test_the_report_is_of_what_was_recorded_and_adds_presses_only_when_all_are_made(shop):
    run(shop, "1_plan.ipynb")
    path = shop / "logbook.dtfbook"
    with Logbook.open(path) as book:
        for press in book.runs()["press"].iloc[:6]:
            book.record(int(press), {"peel": 3 + press % 3, "wash": 4})
    notebook = shop / "3_report.ipynb"
    text = notebook.read_text(encoding="utf-8")
    assert text.count("more_presses = 0 ") == 1
    notebook.write_text(text.replace("more_presses = 0 ", "more_presses = 4 "), encoding="utf-8")
    told = run(shop, "3_report.ipynb")
    assert "6 made or left out" in told
    assert "8 planned test presses are not made yet" in told
    assert counts(shop) == {"logbook.dtfbook": (14, 6, 1)}
    written = {file.name for file in (shop / "report").iterdir()}
    assert {"report.html", "windows.csv", "windows.json", "card-nylon-shell.pdf"} <= written


def test_recording_before_planning_is_practice_and_says_so(shop):
    assert "PRACTICE book" in run(shop, "2_record.ipynb")
    before = counts(shop)
    assert list(before) == ["practice.dtfbook"] and before["practice.dtfbook"][0] > 0
    run(shop, "2_record.ipynb")
    assert counts(shop) == before


@pytest.mark.parametrize("name", NAMES)
def test_as_shipped_it_is_clean(name):
    text = (notebook_folder() / name).read_text(encoding="utf-8")
    notebook = nbformat.reads(text, as_version=4)
    nbformat.validate(notebook)
    assert set(notebook.metadata) <= {"kernelspec", "language_info"}
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    for cell in code:
        assert cell.outputs == [] and cell.execution_count is None
    tagged = [cell for cell in code if "parameters" in cell.metadata.get("tags", ())]
    assert len(tagged) == 1 and tagged[0] is code[0]
    for cell in code[1:]:
        assert cell.metadata["editable"] is False and cell.metadata["deletable"] is False
    first = notebook.cells[0]
    assert first.cell_type == "markdown" and first.source.startswith("# ")
    assert "in this order" in first.source
    # No path of anybody's machine: nothing that starts at the root of a disk.
    rooted = r"(?<![\w./<])/[\w.-]+|/home/|/Users/|file://|[A-Z]:\\\\"
    assert not re.search(rooted, json.dumps(notebook))
