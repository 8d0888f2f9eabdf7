"""After a noted change the presses of before are carried over, wherever a book is fitted."""

import json
from datetime import UTC, datetime

import pandas as pd
import pytest

from dtfexp import Logbook, Session, plan, report
from dtfexp.book.bench.changes import redialled
from dtfexp.dialin.design.plan import Plan
from dtfexp.maths.field.points import kept_between
from dtfexp.shop import cli, steps
from tests.dialin.bench import FOUR, ONE, graded

BEFORE = graded(FOUR, plan(FOUR, 12).runs, width=0.5)
#: A fabric with presses, and one with none.
TWO = Session("two", ONE.factors, ONE.outcomes, ("cotton", "nylon"))
ONE_BEFORE = graded(TWO, plan(TWO, 12, fabrics=["cotton"]).runs, width=0.5)


@pytest.fixture
def book(tmp_path):
    clock = lambda: datetime(2026, 5, 20, 8, 0, tzinfo=UTC)  # noqa: E731
    with Logbook.create(tmp_path / "b.dtfbook", TWO, clock=clock) as made:
        made.add(Plan(TWO, ONE_BEFORE.drop(columns="holds"), "auto", 0))
        for row in ONE_BEFORE.to_dict("records"):
            made.record(row["press"], {"holds": row["holds"]})
        yield made


def noted(*changes):
    return pd.DataFrame(changes, columns=["what", "after_press"])


def test_without_a_change_nothing_is_carried_and_a_new_fabric_is_none(book):
    assert book.bench.carried() is None and not len(book.bench.fitted().posterior.prior.shift_sd)
    book.bench.changed("fabric")
    assert book.bench.carried() is None
    # Before the first grade there was nothing to carry.
    assert redialled(FOUR, BEFORE.assign(peel=None, wash=None), noted(("oven", 12))) is None


def test_every_way_to_go_on_uses_what_was_carried_over(book, tmp_path, capsys):
    plain = book.bench.fitted()
    book.bench.changed("oven", day="2026-05-19")
    known = book.bench.carried()
    at = pd.DataFrame([{"cure temperature": 125.0}])
    least = [f.pass_rate(at, "cotton")["low"].iloc[0] for f in (plain, book.bench.fitted())]
    assert least[1] < least[0] - 0.02, "an oven that has moved by nobody knows how much"
    made, said = steps.more(book, 2, 0)
    assert "12 earlier presses carried over, 0 made since (oven changed)" in said
    assert made.runs.equals(known.next_presses(2).runs) and len(made.runs) == 2
    path, out = book.path, tmp_path / "out"
    report(book, out)
    told = (out / "report.html").read_text()
    assert "Oven changed on 2026-05-19" in told
    window = json.loads((out / "windows.json").read_text())["windows"][0]
    now, then = (f.window("cotton").confidence for f in (known.fit, plain))
    assert window["confidence"] == pytest.approx(now, abs=1e-5) and abs(now - then) > 0.01
    book.close()
    assert cli.main(["next", str(path), "--presses", "2", "--anyway"]) == 0
    assert "12 earlier presses carried over" in capsys.readouterr().out


def test_a_new_fabric_is_a_change_to_itself_only():
    change = noted(("fabric", 12))
    assert redialled(TWO, ONE_BEFORE, change) is None
    assert redialled(TWO, ONE_BEFORE, change, "cotton") is None
    known = redialled(TWO, ONE_BEFORE, change, "Nylon")
    assert known.changed == "fabric" and not len(known.now)
    # A fabric that came after another change is dialled in on the bench as that change left it.
    both = noted(("oven", 12), ("fabric", 12))
    later = redialled(TWO, ONE_BEFORE, both, "nylon")
    assert later.changed == "oven" and later.fabric == "nylon"


def test_several_changes_are_integrated_at_once():
    later = graded(FOUR, plan(FOUR, 4, seed=3).runs, seed=5).assign(press=[13, 14, 15, 16])
    rows = pd.concat([BEFORE, later], ignore_index=True)
    # Two changes with no press between them are one: the one that leaves less of what was known.
    both = redialled(FOUR, rows, noted(("powder", 12), ("oven", 12)))
    assert both.changed == "powder" and max(both.fit.posterior.prior.change_correlation) < 1
    twice = redialled(FOUR, rows, noted(("oven", 12), ("press", 16)))
    assert twice.changed == "press" and len(twice.earlier) == 16 and not len(twice.now)
    # How far the oven moved is as unsure as it was; no press says yet how far the press did.
    (before,) = twice.before_that
    assert before.changed == "oven" and before.moved.tolist() == [True] * 12 + [False] * 4
    (oven,), (alone,) = before.shifts, redialled(FOUR, rows, noted(("oven", 12))).shifts
    assert oven.presses == 4 and abs(oven.mean - alone.mean) < 1.5
    assert 1.0 < oven.sd == pytest.approx(alone.sd, rel=0.3)
    assert twice.shifts[0].sd == pytest.approx(12.6) and twice.moved.all()
    moved = twice.on_todays_dial()["cure temperature"] - rows["cure temperature"]
    assert moved.tolist() == pytest.approx([-oven.mean] * 12 + [0.0] * 4)
    assert "Before that, oven changed" in twice.sentence
    assert "Since the change before that" in twice.fit.describe()


def test_changes_each_keep_their_share_of_what_was_known():
    """Prints from before two new lots are less alike today's than those between the two."""
    later = graded(FOUR, plan(FOUR, 4, seed=3).runs, seed=5).assign(press=[13, 14, 15, 16])
    rows = pd.concat([BEFORE, later], ignore_index=True)
    post = redialled(FOUR, rows, noted(("powder", 12), ("film", 16))).fit.posterior
    at = post.data.at
    assert at.before_change[post.data.is_observed].sum(axis=0).tolist() == [32, 24]
    kept = kept_between(at.before_change, None, post.prior.change_correlation)
    assert sorted(set(kept.ravel().round(6))) == [0.9025, 0.95]
