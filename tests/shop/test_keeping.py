"""The steps of the notebook of keeping: each does its work once, however often it is run."""

from datetime import UTC, datetime

import pandas as pd
import pytest

from dtfexp import Logbook, LogbookError, fit, plan
from dtfexp.dialin.confirm.terms import Terms
from dtfexp.dialin.design.plan import Plan
from dtfexp.shop import keeping
from tests.dialin.bench import FOUR, graded
from tests.dialin.test_confirmation import window

TERMS = Terms(0.9, 0.9)
RESULTS = graded(FOUR, plan(FOUR, 14).runs)


@pytest.fixture(scope="module")
def fitted():
    return fit(FOUR, RESULTS)


@pytest.fixture
def book(tmp_path):
    clock = lambda: datetime(2026, 5, 20, 8, 0, tzinfo=UTC)  # noqa: E731
    with Logbook.create(tmp_path / "b.dtfbook", FOUR, clock=clock) as made:
        made.add(Plan(FOUR, RESULTS.drop(columns=["peel", "wash"]), "auto", 0))
        grade(made, RESULTS)
        yield made


def grade(book, results):
    for row in results.to_dict("records"):
        book.record(row["press"], {"peel": row["peel"], "wash": row["wash"]})


def test_confirming_presses_are_added_once_and_judged_when_graded(book, fitted):
    def step(add):
        return keeping.confirm(book, fitted, window(), TERMS, days=2, add=add, seed=0)

    shown = step(False)
    assert "22 new presses" in repr(shown) and "<svg" in shown._repr_html_()
    assert len(book.runs()) == 14
    added = repr(step(True))
    assert "22 confirming presses were added" in added and "burn at a touch" in added
    assert "go on" in repr(step(True)) and len(book.runs()) == 36
    grade(book, book.waiting().assign(peel=5, wash=4))
    assert "cotton: confirmed" in repr(step(True)) and "Bayes" in repr(step(True))
    assert keeping.chosen(book, "") == "cotton"
    # After a change it is proven anew; a new fabric changes nothing for this one.
    book.bench.changed("fabric")
    assert "cotton: confirmed" in repr(step(False))
    book.bench.changed("powder", after_press=36)
    assert "22 new presses" in repr(step(False)) and len(book.runs()) == 36


def test_a_sequential_test_that_is_over_leaves_the_rest_out(book, fitted):
    def step():
        terms = Terms(0.9, 0.9, sequential=True)
        return repr(keeping.confirm(book, fitted, window(), terms, days=3, add=True, seed=0))

    assert "78 confirming presses were added" in step()
    grade(book, book.waiting().head(32).assign(peel=5, wash=4))
    assert "left out: 46 presses" in step() and not len(book.waiting())
    assert "32 of 32" in step() and "left out" not in step()


def test_what_the_watch_says_stands_over_the_counts_once_it_is_news(book, fitted):
    desk = keeping.watch_form(book, fitted, window(), since="", per_day=20).desk
    assert desk.state()["sections"][0]["lines"] == [], "the page says it above the form"
    values = {"day": "2026-05-20", "fabric": "cotton", "pressed": "20", "failed": "1"}
    assert desk.handle({"op": "keep 0", "id": "a", "values": values | {"symptoms": ""}})["ok"]
    assert desk.state()["sections"][0]["lines"][0] == "cotton: no alarm"
    found = keeping.watched(book, fitted, window(), since="", per_day=20)
    shown = keeping.show_watch(found, "cotton")
    assert "no alarm" in repr(shown) and shown._repr_html_().count("<svg") == 2
    nothing = keeping.watched(book, fitted, window(), since="2026-06-01", per_day=20)
    assert len(nothing.days) == 0 and "no alarm" in repr(keeping.show_watch(nothing, "cotton"))


def test_without_counts_it_says_how_to_begin(book, fitted):
    found = keeping.watched(book, fitted, window(), since="", per_day=20)
    assert found is None and "One line a day" in repr(keeping.show_watch(found, "cotton"))
    assert "nothing to look for" in repr(keeping.causes(book, fitted, window(), "", found))
    shown = keeping.causes(book, fitted, window(), "bubbles", found)
    assert "Check first" in repr(shown) and "burn at a touch" in repr(shown)


def test_a_standing_alarm_is_looked_into(book, fitted):
    for day in range(10, 20):
        failed = 8 if day > 14 else 0
        book.bench.count("cotton", 20, failed, day=f"2026-05-{day}",
                         symptoms={"grainy underside": failed} if failed else "")  # fmt: skip
    found = keeping.watched(book, fitted, window(), since="", per_day=20)
    assert "under-cured" in repr(keeping.causes(book, fitted, window(), "", found))
    # Once the repair is noted, the days of before count no more.
    book.bench.changed("oven", day="2026-05-19")
    after = keeping.watched(book, fitted, window(), since="", per_day=20)
    assert after.days["day"].astype(str).tolist() == ["2026-05-19"]
    whole = keeping.watched(book, fitted, window(), since="2026-05-10", per_day=20)
    assert len(whole.days) == 10


def test_after_a_change_a_few_presses_are_added_once_and_then_make_new_papers(book, monkeypatch):
    written = []
    monkeypatch.setattr(
        "dtfexp.show.report.report.write_papers_of_book", lambda *a, **k: written.append((a, k))
    )
    book.bench.lot("powder", "P-1")
    nothing = repr(keeping.again(book, window(), 4, 0))
    assert "No change is noted" in nothing and "P-1" not in nothing
    book.bench.lot("powder", "P-2")
    assert "lot P-2 is in use since 2026-05-20" in repr(keeping.again(book, window(), 4, 0))
    desk = keeping.change_form(book, window(), 0).desk
    assert desk.state()["sections"][1]["buttons"][0]["off"] == "No change is noted yet."
    values = {"what": "oven", "day": "2026-05-19"}
    for told in ("", "12", "14"):
        answer = desk.handle(
            {"op": "keep 0", "id": told or "a", "values": values | {"after": told}}
        )
        assert answer["ok"], answer["text"]
        assert book.bench.changes()["after_press"].tolist() == [int(told or 14)]
    shown = repr(keeping.again(book, window(), 0, 0))
    assert "14 earlier presses carried over" in shown
    assert "do not rely on it" in shown and not written
    answer = desk.handle({"op": "keep 1", "id": "b", "values": {"presses": "4"}})
    assert answer["ok"] and "4 presses added" in answer["text"]
    assert "planned already" in desk.state()["sections"][1]["buttons"][0]["off"]
    book.bench.changed("oven", day="2026-05-19")
    assert len(book.runs()) == 18 and book.bench.changes()["after_press"].tolist() == [14]
    planned = book.waiting()
    grade(book, planned.head(3).assign(peel=5, wash=5))
    shown = repr(keeping.again(book, window(), 4, 0, papers="out"))
    assert "1 press planned and not made" in shown and len(book.runs()) == 18
    (((_, fitted, folder), options),) = written
    assert str(folder) == "out after the change (oven, 2026-05-19)" and str(folder) in shown
    assert options == {"fabrics": ["cotton"]} and len(fitted.results) == 18


def test_presses_planned_and_not_made_belong_to_the_bench_as_it_is_now(book):
    more = plan(FOUR, 3, seed=4).runs
    numbers = ("press", "oven_load", "press_round")
    book.add(Plan(FOUR, more.assign(**{n: more[n] + 100 for n in numbers}), "auto", 0))
    first = int(book.waiting()["press"].iloc[0])
    book.bench.changed("powder")
    book.record(first, {"peel": 4})
    book.bench.changed("film")
    assert book.bench.changes()["after_press"].tolist() == [14, first]


def test_a_change_after_a_press_that_is_not_there(book):

    with pytest.raises(LogbookError, match="the last press in this book is 14"):
        book.bench.changed("powder", after_press=99)
    with pytest.raises(LogbookError, match="got 'mood'"):
        book.bench.changed("mood")
    assert isinstance(book.bench.changes(), pd.DataFrame)
