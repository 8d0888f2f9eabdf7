"""The papers of a session: what is printed is the plan, and what is written comes back."""

from __future__ import annotations

import csv
import io

import pymupdf
import pytest

from dtfexp import Fabric, Factor, Logbook, Outcome, Session, plan
from dtfexp.dialin.design.plan import Plan
from dtfexp.show.paper.labels import coupon_labels_pdf
from dtfexp.show.paper.run_sheet import run_sheet_pdf
from dtfexp.show.recorder.form import DEFECTS


def make_session(factors: int = 0, outcomes: int = 0) -> Session:
    return Session(
        "A bench of this test",
        [
            Factor("cure time", 40, 120, "s", 10, "cure"),
            Factor("press_temperature", 280, 350, "°F", 5, "press", True, 5, 320),
            Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press"),
            *(Factor(f"further setting {k}", 1, 9, "s", 1, "press") for k in range(factors)),
        ],
        [
            Outcome("peel", step=0.5),
            Outcome("wash", washes=5),
            Outcome("hold", kind="passfail"),
            *(Outcome(f"further outcome {k}") for k in range(outcomes)),
        ],
        ["cotton jersey", Fabric("nylon shell", 310, "°F")],
        temperature_unit="°C",
    )


@pytest.fixture
def book(tmp_path):
    with Logbook.create(tmp_path / "bench.dtfbook", make_session()) as made:
        made.add(plan(made.session, 12))
        yield made


def words(pdf: bytes) -> list[str]:
    with pymupdf.open(stream=pdf) as doc:
        return [" ".join(page.get_text().split()) for page in doc]


def test_every_press_is_printed_with_its_settings_and_every_page_with_the_grades(book):
    pages = words(run_sheet_pdf(book))
    told = " ".join(pages)
    for run in book.runs().to_dict("records"):
        printed = told.count(f"{run['press']} oven load {run['oven_load']} press round")
        assert printed >= 1, run["press"]
    hottest = max(book.runs()["press_temperature"])
    assert f"{hottest:g} °F" in told and f"{(hottest - 32) / 1.8:.0f} °C" in told
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
        for outcome in book.session.outcomes:
            for sentence in outcome.guide.values():
                assert sentence in page
        assert all(word in page for word in (*DEFECTS, "HOT:", "exhaust", "care label"))


def test_what_is_done_is_not_asked_for_again(book):
    runs = book.runs()
    first, other = runs.iloc[0], runs[runs["oven_load"] != runs["oven_load"].iloc[0]].iloc[0]
    assert f"cure load {first['oven_load']} " in " ".join(words(run_sheet_pdf(book)))
    book.record(int(first["press"]), {"peel": 4})
    told = " ".join(words(run_sheet_pdf(book)))
    assert "pressed already; still to grade: wash, hold" in told
    assert f"cure load {first['oven_load']} " not in told
    assert f"cure load {other['oven_load']} " in told
    assert "Every press alike" in told
    for press in runs["press"]:
        book.record(int(press), {"peel": 4})
    told = " ".join(words(run_sheet_pdf(book)))
    assert not any(step in told for step in ("warm up", "cure load", "set the press"))


def test_names_on_the_paper_are_columns_that_an_import_takes(book):
    (first, *_) = words(run_sheet_pdf(book))
    names = ["peel", "wash", "hold", "excluded"]
    assert all(name in first for name in names)
    out = io.StringIO()
    rows = csv.writer(out)
    # As written by hand on two lines of the paper and typed under its own names.
    rows.writerow(["press", *names, "press temperature_actual", "defects", "note"])
    rows.writerow([3, "4-5", "", "pass", "", "318", "bubbles", "left corner"])
    rows.writerow([1, "2", "3", "fail", "slipped", "", "", ""])
    sheet = book.path.with_name("typed.csv")
    sheet.write_text(out.getvalue(), encoding="utf-8")
    assert book.import_results(sheet) == 2
    held = book.results().set_index("press")
    assert held.loc[3, ["peel", "hold", "press_temperature_actual"]].tolist() == [4.5, 1.0, 318.0]
    assert held.loc[1, ["peel", "wash", "hold", "excluded"]].tolist() == [2.0, 3.0, 0.0, True]


def test_what_is_graded_fully_leaves_the_papers_and_half_grades_stay(book):
    book.record(1, {"peel": 4.5, "wash": 4, "hold": "pass"})
    book.record(2, {"peel": 3.5}, note="edge curled")
    told = " ".join(words(run_sheet_pdf(book)))
    assert "edge curled" in told
    (labels,) = words(coupon_labels_pdf(book))
    assert labels.count("peel ____") == len(book.runs()) - 1
    for run in book.runs().to_dict("records"):
        book.record(int(run["press"]), {"peel": 4, "wash": 4, "hold": "pass"})
    (labels,) = words(coupon_labels_pdf(book))
    assert labels.count("peel ____") == len(book.runs()), "all, when none lacks a grade"


@pytest.mark.parametrize(
    ("paper", "factors", "outcomes"), [("Letter", 0, 0), ("A4", 12, 9), ("Letter", 25, 20)]
)
def test_nothing_runs_off_the_paper_or_over_its_foot(tmp_path, paper, factors, outcomes):
    session = make_session(factors, outcomes)
    with Logbook.create(tmp_path / "wide.dtfbook", session) as book:
        book.add(plan(session, 6, design="latin hypercube"))
        for draw in (run_sheet_pdf, coupon_labels_pdf):
            made = draw(book, paper=paper)
            assert draw(book, paper=paper) == made, "the same book gives the same bytes"
            with pymupdf.open(stream=made) as doc:
                for page in doc:
                    edge = pymupdf.Rect(28, 28, page.rect.width - 28, page.rect.height - 28)
                    for word in page.get_text("words"):
                        assert edge.contains(pymupdf.Rect(word[:4])), word
                    foot = page.search_for("Judge on dry, cold cloth")
                    lowest = [b[3] for b in page.get_text("blocks") if "defects, note" in b[4]]
                    assert not foot or max(lowest) < foot[0].y0


def test_the_paper_says_what_comes_first_in_every_sitting(book):
    told = " ".join(words(run_sheet_pdf(book)))
    assert told.count("warm up oven") == 1
    loads = book.runs()["oven_load"].nunique()
    assert told.count("cure load") == loads
    book.add(more_of(book))
    told = " ".join(words(run_sheet_pdf(book)))
    assert told.count("warm up oven") == 2


def more_of(book: Logbook) -> Plan:
    """The presses of the book's plan once more, under further numbers."""
    runs = book.runs()
    for column in ("press", "oven_load", "press_round"):
        runs[column] += runs[column].max()
    return Plan(book.session, runs, "auto", 0, "again", ())
