"""Situations of a bench: sign, context and limit -> cause, first check and correction.

The fit knows nothing here, so that the table of signs and the heat gate alone speak.
"""

import itertools
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dtfexp import Fabric, Factor
from dtfexp.describe.signs import CAUSES, SIGNS
from dtfexp.dialin.monitor.causes import Circumstances, hear
from dtfexp.dialin.monitor.diagnosis import diagnosis
from tests.dialin.situations import FABRICS, METRIC, SESSIONS, TABLE, US


class Blind:
    """A fit that knows nothing: everything passes half of the time, everywhere alike."""

    def __init__(self, session):
        self.session = session

    def failure_sides(self, at, fabric):
        return pd.DataFrame({"pass_rate": [0.5] * len(at)})

    def pass_posterior(self, at, fabric):
        return SimpleNamespace(expected=lambda: np.full(len(at), 0.5))


def found(session, seen, at, fabric, gate=None):
    usual = {f.name: session.usual(f, fabric) for f in session.factors}
    settings = usual | at
    heard = hear(seen)
    made = diagnosis(Blind(session), settings, fabric, heard, Circumstances(), {}, gate)
    return made, settings


def place(factor, value):
    if factor.is_numeric:
        return float(value)
    order = ("cold", "warm", "hot") if factor.stage == "peel" else factor.levels
    return float(order.index(value))


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]}-{row[3]}-{row[1]}")
def test_situation(row):
    name, seen, at, fabric, cause, check, moved, way, advice = row
    session = SESSIONS[name]
    made, settings = found(session, seen, at, fabric)
    first = made.first
    assert not made.not_understood and not made.asked
    if cause != "too cool" or "dye" not in seen:
        assert cause in first.cause, made.table(4)[["cause", "share"]]
        assert check in first.check
        assert first.factor == moved, first
        assert advice in first.change.replace("\u00a0", " ")
        if moved:
            factor = session.factor(moved)
            step = place(factor, first.to) - place(factor, first.from_)
            assert step * way > 0
            assert not session.refusal(settings | {moved: first.to}, fabric)
            assert first.to in session.allowed(factor, fabric) and first.bound
    never_past(session, made, settings, fabric)


def never_past(session, made, settings, fabric):
    """No finding and no press past the gate, and never more heat where dye may travel."""
    for finding in made.findings:
        if finding.factor:
            press = dict(settings) | {finding.factor: finding.to}
            if not session.refusal(settings, fabric):
                assert not session.refusal(press, fabric), finding
            assert finding.to in session.allowed(finding.factor, fabric)
            assert finding.bound
    if made.press:
        assert not session.refusal(made.press, fabric)
        changed = [k for k, v in made.press.items() if v != settings[k]]
        assert len(changed) <= 1 or session.refusal(settings, fabric)
        dye = next(f for f in made.findings if f.cause.startswith("dye"))
        for k in changed:
            hot = "temp" in k.casefold() or k.casefold() in ("press time", "press_time")
            if hot and dye.share >= 0.05 and not session.refusal(settings, fabric):
                assert made.press[k] < settings[k]


def test_the_table_is_large_and_covers_every_cause_and_stage():
    assert len(TABLE) >= 80 and len({row[1] for row in TABLE}) > 55
    causes = {c.name for c in CAUSES if any(row[4] in c.name for row in TABLE)}
    assert len(causes) >= len(CAUSES) - 1, {c.name for c in CAUSES} - causes


def test_at_a_limit_nothing_is_said_to_be_made_hotter():
    hot = {
        "metric": {"polyester": 147.0, "nylon": 143.0},
        "us": {"polyester": 295.0, "nylon": 285.0},
    }
    for name, session in SESSIONS.items():
        temp, time = [f.name for f in session.factors if f.stage == "press"][:2]
        for fabric, top in hot[name].items():
            assert session.allowed(temp, fabric)[-1] == top
            for seen in (
                "parts lifted with the film",
                "print shrunk after first wash",
                "lifting at an edge",
                "peeling after wash",
                "transfer follows the platen",
            ):
                made, _ = found(session, seen, {temp: top}, fabric)
                advice = re.sub(r"may run hotter than its dial", "", made.first.change)
                assert not re.search("hotter|[Rr]aise", advice + made.tells), advice
                assert "cannot go" in advice.casefold() and "at most" in advice
                assert made.press[temp] <= top and made.first.factor == time
                assert "melts lower" in advice and "Measure the platen" in advice


def test_settings_past_the_limit_are_stopped_and_brought_inside():
    made, _ = found(US, "parts lifted with the film", {"Press_Temp": 300.0}, "polyester")
    assert made.past and repr(made).startswith("Stop: ") and "295" in repr(made)
    assert made.press["Press_Temp"] == 295.0 and not US.refusal(made.press, "polyester")
    assert made.now[-1].startswith("Press nothing until")


def test_a_hot_platen_leaves_less_room_or_none():
    """A map of the platen counts: 150 °C on the dial that meets 166 °C is past a limit of 150."""
    warm = Factor(
        "press temperature", 130, 175, "°C", 1, "press", True, usual=160, spots=(6, 9.9, 16)
    )
    at = [warm if f.name == warm.name else f for f in METRIC.factors]
    hot = METRIC.altered(factors=at)
    cool = {"press temperature": 140.0}
    made, _ = found(METRIC, "print shrunk after first wash", cool, "polyester", hot)
    assert made.past and made.press["press temperature"] == 133.0
    assert not hot.refusal(made.press, "polyester") and "measured" in made.first.change
    less = hot.altered(fabrics=[Fabric("nylon", 135), *FABRICS[:2]])
    none, _ = found(METRIC, "parts lifted with the film", cool, "nylon", less)
    assert not none.press and "none may be made" in none.tells and none.first.factor == ""


def test_what_to_do_with_the_piece_now():
    for seen, told in {
        "half the print lifts while peeling": "Stop peeling, lay the film back",
        "small letters lifted": "Stop, lay the film back on the corner",
        "halo of powder": "Brush", "grainy underside": "cure this film on",
        "cloth stuck to platen": "by force", "film edge visible": "cover sheet",
    }.items():  # fmt: skip
        made, _ = found(METRIC, seen, {}, "cotton")
        assert told in made.now[0] and f"This piece: {made.now[0]}" in repr(made)


def test_one_press_is_chosen_over_all_settings():
    for seen, at, factor in (
        ("bubbles", {}, "pre-press time"), ("film drags", {}, "peel"),
        ("small letters lifted", {}, "peel wait"), ("long wait before peel", {}, "rest"),
        ("white ink pushed out at the edges", {"pressure": "firm"}, "pressure"),
        ("no powder", {}, "powder"), ("oily residue", {}, "cure time"),
        ("same settings, different day", {}, ""), ("yellow lines missing", {}, ""),
    ):  # fmt: skip
        made, settings = found(METRIC, seen, at, "cotton")
        assert [k for k in settings if made.press[k] != settings[k]] == ([factor] if factor else [])
    assert (
        "last lot and garment"
        in found(METRIC, "same settings, different day", {}, "cotton")[0].tells
    )


@given(
    keys=st.lists(st.sampled_from([s.phrase for s in SIGNS]), min_size=1, max_size=3, unique=True),
    name=st.sampled_from(sorted(SESSIONS)),
    data=st.data(),
)
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
def test_no_proposal_is_ever_past_the_gate(keys, name, data):
    session = SESSIONS[name]
    fabric = data.draw(st.sampled_from([f.name for f in session.fabrics]))
    at = {f.name: data.draw(st.sampled_from(f.settings())) for f in session.factors}
    spots = data.draw(st.lists(st.integers(-4, 12), min_size=2, max_size=3))
    factors = [
        f if f.stage != "press" or not f.is_temperature else
        Factor(f.name, f.low, f.high, f.unit, f.step, "press", True, usual=f.usual,
               spots=tuple(map(float, spots)))
        for f in session.factors
    ]  # fmt: skip
    gate = data.draw(st.sampled_from([session, session.altered(factors=factors)]))
    made, _ = found(session, "; ".join(keys), at, fabric, gate)
    for finding in made.findings:
        if finding.factor:
            assert finding.to in gate.allowed(finding.factor, fabric)
    assert not made.press or not gate.refusal(made.press, fabric)
    assert sum(f.share for f in made.findings) == pytest.approx(1.0)


def test_the_table_says_each_pair_of_leading_causes_apart():
    """One press whose outcome is the same whichever of the two it is would teach nothing."""
    told_apart = 0
    for one in itertools.islice(SIGNS, 45):
        made, _ = found(METRIC, one.phrase, {}, "cotton")
        told_apart += "Still there" in made.tells or "Worse" in made.tells
    assert told_apart >= 43
