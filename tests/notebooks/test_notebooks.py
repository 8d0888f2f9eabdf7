"""The notebooks as a shop uses them: run in a folder of their own, twice, and clean as shipped."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

import nbclient
import nbformat
import pytest

from dtfexp import Logbook, Session
from dtfexp.shop import steps
from dtfexp.shop.files import copy_if_absent, notebook_folder, sample_folder
from dtfexp.show.report import report

ROOT = Path(__file__).parents[2]
NAMES = tuple(f"{name}.ipynb" for name in ("1_plan", "2_record", "3_report", "4_keep", "5_bench"))


def run(folder: Path, *names: str) -> list[str]:
    """Run all cells of the notebooks in ``folder``, one after the other in one kernel, which starts
    slowly (that each has all names it uses, ruff sees); returns the text that each one showed."""
    notebooks = [nbformat.read(folder / name, as_version=4) for name in names]
    whole = notebooks[0].copy()
    whole.cells = [cell for notebook in notebooks for cell in notebook.cells]
    nbclient.NotebookClient(
        whole, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    return ["\n".join(shown_by(notebook)) for notebook in notebooks]


def shown_by(notebook: nbformat.NotebookNode) -> Iterator[str]:
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            assert output.get("name") != "stderr", output["text"]
            yield output.get("text", "")
            yield from (str(v) for k, v in output.get("data", {}).items() if k.startswith("text/"))


def counts(folder: Path) -> dict[str, tuple[int, int, int]]:
    found = {}
    for file in sorted(folder.glob("*.dtfbook")):
        with Logbook.open(file) as book:
            found[file.name] = (len(book.runs()), len(book.history()), len(book.plans()))
    return found


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A shop's folder, where Jupyter keeps to itself."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("IPYTHONDIR", str(tmp_path_factory.mktemp("jupyter")))
        path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
        patched.setenv("PYTHONPATH", path)
        folder = tmp_path_factory.mktemp("shop")
        copy_if_absent(folder)
        yield folder


@pytest.fixture(scope="module")
def told(shop):
    """What each notebook says on the first day; the form is tried before there is a plan."""
    names = ("2_record.ipynb", "1_plan.ipynb", "4_keep.ipynb", "5_bench.ipynb")
    found = dict(zip(("practice", "before", "4", "5"), run(shop, *names), strict=True))
    # Two taps in the form, with the sample's own text as a file written by hand.
    session = shop / "session.toml"
    session.write_bytes((shop / "example_session.toml").read_bytes())
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(shop)
        answer = steps.bench_desk("session.toml").handle({"op": "plan", "id": "plan"})
        assert answer["ok"], answer["text"]
    after = run(shop, "1_plan.ipynb", "2_record.ipynb")
    return found | dict(zip(("1", "2"), after, strict=True))


@pytest.mark.slow
def test_on_the_first_day_each_says_what_it_shows(shop, told):
    assert "Nothing was planned" in told["before"]
    assert "cotton jersey" not in told["before"], "no invented shop's sheet"
    assert "nothing in it was changed" in told["1"]
    assert "cotton jersey" in told["1"] and "cure load 1" in told["1"]
    assert "PRACTICE book" in told["practice"] and "PRACTICE" not in told["2"]
    assert "INVENTED" in told["4"] and "cotton jersey: confirmed" in told["4"]
    assert "ALARM" in told["4"] and "most likely under-cured" in told["4"]
    assert counts(shop)["logbook.dtfbook"] == (14, 0, 1)
    assert counts(shop)["practice.dtfbook"][0] > 0


@pytest.mark.slow
def test_run_again_they_change_nothing(shop, told):
    """All but the report's, which only reads the book: the last test counts that one, too."""
    before = counts(shop)
    again = run(shop, *(name for name in NAMES if name != "3_report.ipynb"))
    assert "opened, and nothing in it was changed" in again[0]
    assert counts(shop) == before


@pytest.mark.slow
def test_the_report_is_of_what_was_recorded_and_adds_nothing(shop, told):
    path = shop / "logbook.dtfbook"
    with Logbook.open(path) as book:
        for press in book.runs()["press"].iloc[:6]:
            book.record(int(press), {"peel": 3 + press % 3, "wash": 4})
    before = counts(shop)
    assert before["logbook.dtfbook"] == (14, 6, 1)
    (told,) = run(shop, "3_report.ipynb")
    assert "6 made or left out" in told
    assert counts(shop) == before
    written = {file.name for file in (shop / "report").iterdir()}
    assert {"report.html", "windows.csv", "windows.json", "card-nylon-shell.pdf"} <= written


def test_before_any_grade_the_report_is_of_an_invented_example(tmp_path, monkeypatch, capsys):
    """The steps of the report's notebook: run again, the example has the same presses."""
    monkeypatch.chdir(tmp_path)
    with Logbook.create("logbook.dtfbook", Session.load(sample_folder() / steps.SAMPLE_SESSION)):
        pass
    written = []
    monkeypatch.setattr(report, "write_papers_of_book", lambda *a, **_: written.append(a[2]))
    for _ in range(2):
        with steps.book_to_report("logbook.dtfbook") as book:
            assert "Nothing is graded in logbook.dtfbook yet" in (said := capsys.readouterr().out)
            assert "INVENTED example, invented_example.dtfbook" in said
            assert "30 test presses planned, 30 made" in steps.summary(book)
            steps.write_papers(book, None, "report", None)
    assert counts(tmp_path)["invented_example.dtfbook"] == (30, 30, 1)
    assert written == [Path("invented_example_report")] * 2


def test_practice_goes_on_in_the_same_book(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    before = []
    for _ in range(2):
        with steps.open_book("logbook.dtfbook") as book:
            assert "PRACTICE book" in capsys.readouterr().out
            if not before:
                book.record(int(book.runs()["press"].iloc[0]), {"peel": 4})
        before.append(counts(tmp_path))
    assert before[0] == before[1] == {"practice.dtfbook": (steps.PRACTICE_PRESSES, 1, 1)}


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
