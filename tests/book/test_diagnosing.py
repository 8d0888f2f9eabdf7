"""From what is seen on a print to its cause: the table of the trade, the fit and the bench."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from dtfexp import Logbook, ResultsError, SessionError, diagnose, fit, plan
from dtfexp.describe.signs import CAUSES, SIGNS
from dtfexp.dialin.design.plan import Plan
from dtfexp.dialin.signs.phrases import read_phrase
from dtfexp.show.recorder.form import DEFECTS, WASH_DEFECTS
from tests.dialin.bench import FOUR, graded

NOW = datetime(2026, 5, 20, 8, 0, tzinfo=UTC)
TARGET = {"cure temperature": 125.0, "cure time": 60.0, "press temperature": 310.0,
          "press time": 15.0}  # fmt: skip

# What is seen -> most likely cause. Common practice on transfer benches, no source.
SITUATIONS = {
    "stiff hand, white haze round the image": "powder left on the film",
    "nothing transfers": "no powder on the ink",
    "some areas hold, others tear off": "uneven or bad powder",
    "parts lift with the film; shrinks at first wash": "pressed too cool or too short",
    "film hard to separate; ink boiled; print shrunk": "pressed too hot or too long",
    "underside grainy; colour layer goes after a wash": "under-cured",
    "no hot peel; large solids blister": "over-cured",
    "bubbles": "moisture in film or garment",
    "small letters and corners pull up": "peeled at once or too fast",
    "long wait before peel; bubbles in solids": "pressed straight after the cure",
}


@pytest.fixture(scope="module")
def fitted():
    """A bench of which nothing is known, so that the table alone speaks."""
    return fit(FOUR, pd.DataFrame())


@pytest.fixture
def clock():
    class Clock:
        at = NOW

        def __call__(self):
            return self.at

    return Clock()


@pytest.fixture
def book(tmp_path, clock):
    with Logbook.create(tmp_path / "b.dtfbook", FOUR, clock=clock) as made:
        yield made


@pytest.mark.parametrize(("seen", "cause"), SITUATIONS.items())
def test_every_situation_names_its_first_cause(book, fitted, seen, cause):
    found = diagnose(seen, TARGET, "cotton", book, fit=fitted, now=NOW)
    assert found.first.cause == cause and found.first.share > found.findings[1].share + 0.1
    assert sum(f.share for f in found.findings) == pytest.approx(1.0)
    assert found.first.check and found.first.change and found.tells in repr(found)


@pytest.mark.parametrize("word", [*DEFECTS, *WASH_DEFECTS])
def test_every_word_to_tap_is_in_the_table(word):
    (key,) = read_phrase(word).signs
    assert next(one for one in SIGNS if one.key == key).phrase == word


def test_the_table_names_only_causes_that_are_there():
    keys = {cause.key for cause in CAUSES}
    assert len(keys) == len(CAUSES)
    assert all(set(one.causes) <= keys for one in SIGNS)
    named = {key for one in SIGNS for key, w in one.causes.items() if w >= 0.6}
    assert named == keys


def test_a_setting_to_change_says_from_where_to_where_and_one_press_tells(book, fitted):
    found = diagnose({"Grainy underside": 4}, TARGET, "cotton", book, fit=fitted, now=NOW)
    first = found.first
    assert first.machine == "oven" and "Measure the warm oven" in first.check
    assert (first.factor, first.from_) == ("cure temperature", 125.0) and first.to > 125.0
    assert "cure temperature: 125 °C to" in first.change.replace("\u00a0", " ")
    changed = [name for name in TARGET if found.press[name] != TARGET[name]]
    assert changed == ["cure temperature"] and "Still there" in found.tells
    assert found.table()["cause"].iloc[0] == "under-cured"


def test_the_fit_moves_the_ranking(book):
    """Bubbles: moisture by the table alone; at a set-point far too cool in the oven, under-cure."""
    results = graded(FOUR, plan(FOUR, 20).runs, width=0.6)
    known = fit(FOUR, results)
    cold = TARGET | {"cure temperature": 105.0}
    shares = {}
    for name, at in (("target", TARGET), ("cold", cold)):
        found = diagnose("bubbles", at, "cotton", book, fit=known, now=NOW)
        shares[name] = {f.cause: f.share for f in found.findings}
    assert shares["cold"]["under-cured"] > 1.5 * shares["target"]["under-cured"]
    assert shares["cold"]["over-cured"] < shares["target"]["over-cured"]
    found = diagnose("grainy underside", cold, "cotton", book, fit=known, now=NOW)
    assert "these settings look under-cured" in " ".join(found.first.why)
    assert found.first.to >= 115.0 and "the fit expects most to pass" in found.first.change


def test_a_measured_drift_names_the_machine_and_the_amount(book, fitted, clock):
    book.bench.map("cure temperature", 125, [125.0] * 9)
    clock.at = NOW + timedelta(days=30)
    book.bench.map("cure temperature", 125, [117.0] * 9)
    found = diagnose("bubbles", TARGET, "cotton", book, fit=fitted, now=clock.at)
    assert found.first.cause == "under-cured" and found.first.machine == "oven"
    why = found.first.why[0].replace("\u00a0", " ")
    assert why == "the oven was measured 8 °C below where it was"
    assert found.first.to == 135.0  # 125 + 8, on the dial's step of 5


def test_lots_humidity_and_passed_over_warnings_speak(book, fitted, clock):
    def share(cause, seen):
        found = diagnose(seen, TARGET, "cotton", book, fit=fitted, now=clock.at)
        return next(f for f in found.findings if f.cause == cause)

    plain = share("moisture in film or garment", "bubbles; white haze").share
    book.bench.room(temperature=22, humidity=75)
    damp = share("moisture in film or garment", "bubbles; white haze")
    assert damp.share > plain and "the air is humid (75 %)" in damp.why
    before = share("uneven or bad powder", "parts lifted with the film").share
    book.bench.lot("powder", "P-1", opened="2025-09-01")
    old = share("uneven or bad powder", "parts lifted with the film")
    assert old.share > before and "powder lot P-1 is past its months" in old.why
    changed = share("something else has changed", "same settings, different day").share
    book.bench.lot("film", "F-2")
    book.bench.lot("film", "F-3")
    assert share("something else has changed", "same settings, different day").share > changed
    # A month later the same notes no longer speak.
    clock.at = NOW + timedelta(days=40)
    assert share("moisture in film or garment", "bubbles; white haze").share < damp.share


def test_no_setting_beyond_the_heat_limit_or_the_range(book, fitted):
    top = TARGET | {"press temperature": 340.0}
    found = diagnose("parts lifted with the film", top, "cotton", book, fit=fitted, now=NOW)
    too_cool = next(f for f in found.findings if f.cause.startswith("pressed too cool"))
    assert too_cool.factor != "press temperature" and too_cool.share > 0.15
    assert too_cool.bound.replace("\u00a0", " ").startswith(
        "press temperature is at the top of its range, 340 °F"
    )
    assert "hotter" not in too_cool.change and "measure the platen" in too_cool.change.casefold()
    assert dict(found.press)["press temperature"] <= 340.0


def test_unknown_words_and_wrong_settings(book, fitted):
    found = diagnose("sneezes", TARGET, "cotton", book, fit=fitted)
    assert "None of these words" in repr(found) and "None of these" in found._repr_html_()
    with pytest.raises(ResultsError, match="setting of 'cure time' is 'x'"):
        diagnose("bubbles", {"cure time": "x"}, "cotton", book, fit=fitted)
    with pytest.raises(SessionError, match="'oven temp' is not in this session"):
        diagnose("bubbles", {"oven temp": 3}, "cotton", book, fit=fitted)
    with pytest.raises(SessionError, match="'silk'"):
        diagnose("bubbles", {}, "silk", book, fit=fitted)


def test_recorded_defects_move_the_failure_sides_and_do_not_speak_twice(book):
    runs = graded(FOUR, plan(FOUR, 10).runs)
    book.add(Plan(FOUR, runs.drop(columns=["peel", "wash"]), "auto", 0))
    for row in runs.to_dict("records"):
        seen = ["grainy underside"] if row["cure temperature"] > 125 else []
        book.record(row["press"], {"peel": row["peel"], "wash": row["wash"]}, defects=seen)
    at = pd.DataFrame([TARGET | {"cure temperature": 135.0}])
    told = fit(FOUR, book.results()).failure_sides(at, "cotton")["under-cured"].item()
    silent = fit(FOUR, book.results().drop(columns="defects"))
    quiet = silent.failure_sides(at, "cotton")["under-cured"].item()
    assert told / (1 - told) > 2 * quiet / (1 - quiet)
    one = diagnose("bubbles", at.iloc[0].to_dict(), "cotton", book, now=NOW)
    two = diagnose("bubbles", at.iloc[0].to_dict(), "cotton", book, fit=silent, now=NOW)
    assert np.allclose([f.share for f in one.findings], [f.share for f in two.findings])
