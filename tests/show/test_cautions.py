"""Every place that shows settings shows the care that goes with them, from one text."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from pypdf import PdfReader

from dtfexp import Fabric, Factor, Logbook, Outcome, Session, plan
from dtfexp.shop import commands
from dtfexp.show.notebook.cells import show_window
from dtfexp.show.paper.labels import coupon_labels_pdf
from dtfexp.show.paper.run_sheet import run_sheet_pdf
from dtfexp.show.recorder.form import form_state
from dtfexp.show.text.cautions import CARE, CAUTIONS, ONE_LINE, SHORT_CAUTIONS
from tests.show.conftest import StandInFit, make_results, make_session

ROOT = Path(__file__).parents[2]


@pytest.fixture
def book(tmp_path):
    session = Session(
        "A bench of this test",
        [Factor("cure time", 40, 120, "s", stage="cure"), Factor("heat", 280, 350, "°F")],
        [Outcome("peel")],
        [Fabric("poly fleece", 320, "°F")],
    )
    with Logbook.create(tmp_path / "b.dtfbook", session) as made:
        made.add(plan(session, 6))
        yield made


def words(pdf: bytes) -> str:
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]
    return " ".join(" ".join(pages).split())


def test_terminals_say_it_in_one_line(book, capsys):
    assert "\n" not in ONE_LINE and len(ONE_LINE) < 240
    commands._print_plan(plan(book.session, 6))
    assert capsys.readouterr().out.rstrip().endswith(ONE_LINE)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_papers_say_it(book, paper):
    sheet = words(run_sheet_pdf(book, paper=paper))
    assert all(line in sheet for line in SHORT_CAUTIONS)
    assert ONE_LINE in words(coupon_labels_pdf(book, paper=paper))


def test_the_form_and_the_window_of_a_notebook_say_it(book):
    assert form_state(book)["caution"] == ONE_LINE
    script = (ROOT / "dtfexp/show/recorder/press_form/press_view.js").read_text(encoding="utf-8")
    assert "state.caution" in script
    session = make_session()
    shown = show_window(StandInFit(session, make_results(session)), "cotton jersey")
    assert ONE_LINE in shown.text and "nobody leaves a heating machine alone" in shown.html


def test_every_notebook_with_settings_says_it():
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        source = "\n".join("".join(cell["source"]) for cell in cells)
        # By itself, or by a step tested above, in test_keeping.py or test_bench_page.py.
        says = ("left alone", "ONE_LINE", "show_window", "keeping.causes", "what_to_set")
        assert any(word in source for word in says), path.name


def test_the_readme_has_the_whole_list():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    listed = readme.split("## Care\n\n")[1].split("\n\n")[0].splitlines()
    assert listed == [f"- {line}" for line in CARE]


@pytest.mark.parametrize(
    "matter",
    ["fire", "alone", "dust mask", "flames", "filter", "circuit", "electrician", "licensed",
     "Local codes", "care label", "makers' limits", "film and cloth", "children", "data sheet",
     "proposes"],
)  # fmt: skip
def test_nothing_is_missing_from_the_list(matter):
    assert matter in " ".join(CARE)


def test_three_lines_say_the_same_short():
    assert len(CAUTIONS) == len(SHORT_CAUTIONS) == 3
    for lines in (CAUTIONS, SHORT_CAUTIONS):
        told = " ".join(lines)
        assert all(word in told for word in ("alone", "mask", "film and cloth", "ISO 3758"))
        assert all(word in told for word in ("licensed", "ocal codes", "shop decides"))
