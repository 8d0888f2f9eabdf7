"""What many sessions told, joined: left-out sessions are foretold better than by no experience."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dtfexp import Experience, Fabric, Factor, Outcome, Session, fit, next_presses, plan, redial
from dtfexp.describe.errors import SessionError
from dtfexp.dialin.experience.book_message import BookMessage, book_message
from dtfexp.dialin.experience.expected_model import expected_model
from dtfexp.dialin.experience.joining import joined, shared_settings
from dtfexp.dialin.experience.learnt_moments import moments
from dtfexp.dialin.experience.learnt_prior import learnt_prior
from dtfexp.dialin.experience.moves import (
    Kept,
    Move,
    known_kept,
    known_moves,
    learnt_moves,
)
from dtfexp.dialin.experience.shared_settings import (
    change_of_scale,
    coded_settings,
    from_table,
    shared_shape,
)
from dtfexp.dialin.following import batch
from dtfexp.dialin.recalibrate.change import CHANGES
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.trend_message import divided, expected_trend

BEST = (150.0, 17.0)
STORED = [0.9602422971133029, 0.8216051709650851, 0.9999760044003734]


def session(usual=140.0, unit="°C", **more):
    heat = np.array([125.0, 165.0, usual])
    low, high, today = heat if unit == "°C" else heat * 9 / 5 + 32
    return Session(
        "two",
        [
            Factor("press temperature", low, high, unit, step=1, usual=today, stage="press"),
            Factor("press time", 6, 26, "s", step=1, usual=12),
        ],
        [Outcome("peel"), Outcome("wash")],
        ["cotton"],
        **more,
    )


def told(seed, both=False, **of):
    """The message of an invented bench, best near BEST; ``both``: its results."""
    described, rng = session(**of), np.random.default_rng(seed)
    runs = plan(described, 9, design="latin hypercube", seed=seed).runs
    heat = runs["press temperature"].to_numpy()
    heat = heat if of.get("unit", "°C") == "°C" else (heat - 32) * 5 / 9
    best = np.array(BEST) + rng.normal(0, (2.0, 1.0))
    z = np.column_stack([(heat - best[0]) / 16, np.log(runs["press time"] / best[1]) / 0.8])
    quality = 5.0 - 2.0 * (z**2).sum(axis=1)
    for name in ("peel", "wash"):
        runs[name] = np.clip(np.round(quality + rng.normal(0, 0.25, len(runs))), 1, 5)
    return runs if both else book_message(described, runs)


@pytest.fixture(scope="module")
def messages():
    kinds = ({}, {"unit": "°F"}, {"usual": 146.0})
    return [told(seed, **kinds[seed % 3]) for seed in range(7)]


def log_score(message, mean, covariance):
    """Log of the message's likelihood averaged over a normal prior, less what no prior changes."""
    tight = np.linalg.inv(covariance)
    both, pull = message.precision + tight, message.information + tight @ mean
    size = np.linalg.slogdet(np.eye(len(mean)) + covariance @ message.precision)[1]
    return 0.5 * (pull @ np.linalg.solve(both, pull) - mean @ tight @ mean - size)


def test_a_left_out_book_is_foretold_better_than_by_the_general_prior(messages):
    gained = []
    for k, left in enumerate(messages):
        others = [(f"{j}", m) for j, m in enumerate(messages) if j != k]
        content = joined(others, "", "").content
        shared = [from_table(table) for table in content["settings"]]
        scaled = change_of_scale(left.settings, shared)
        general = expected_trend(shared_shape(shared), Prior())
        for f in left.fields:
            message = type(f.message)(
                scaled @ f.message.precision @ scaled.T, scaled @ f.message.information
            )
            with_it = log_score(message, *moments(content, f.classes))
            gained.append(with_it - log_score(message, *general))
    assert np.mean(gained) > 0.3 and np.mean(np.array(gained) > 0) > 0.7


def test_a_message_is_the_posterior_without_its_prior():
    """Multiplied by the prior again it is the posterior, whatever the prior."""
    rng = np.random.default_rng(3)
    root, seen = rng.normal(size=(3, 3)), rng.normal(size=(2, 3))
    prior, mean = root @ root.T + 0.1 * np.eye(3), rng.normal(size=3)
    # Two of three directions are observed: the third has no precision.
    precision, information = seen.T @ seen * 4.0, seen.T @ np.array([1.0, -2.0]) * 4.0
    after = np.linalg.inv(np.linalg.inv(prior) + precision)
    at = after @ (np.linalg.solve(prior, mean) + information)
    message = divided(at, after, mean, prior)
    assert message.precision == pytest.approx(precision, abs=1e-6)
    assert message.information == pytest.approx(information, abs=1e-6)


def test_units_and_usual_settings_do_not_change_what_is_learnt():
    """The same presses described in °F, or around another usual setting, say the same."""
    plain, other = (told(1, **of) for of in ({}, {"unit": "°F"}))
    shared = shared_settings([plain])
    first, second = (
        change_of_scale(m.settings, shared) @ m.fields[0].message.information
        for m in (plain, other)
    )
    assert plain.settings[0].unit == "°C" and other.settings[0] == plain.settings[0]
    # Steps of the dial differ, by half a degree at most.
    assert second == pytest.approx(first, rel=0.2, abs=0.7)


def test_the_prior_of_a_session_is_the_shared_one_at_its_own_codes(messages):
    made = joined([("b", m) for m in messages], "", "")
    at = {}
    for usual in (135.0, 150.0):
        described = session(usual=usual, experience=made)
        trend = learnt_prior(described).trend
        own = coded_settings(described)
        code = [(BEST[0] - usual) / 20.0, np.log(BEST[1] / 12) / (0.5 * np.log(26 / 6))]
        x = np.array([1, *code, code[0] ** 2, code[1] ** 2, code[0] * code[1]])
        at[usual] = x @ trend.mean[0, 0], x @ trend.root @ trend.root.T @ x
        assert own[0].key == "press temperature"
    assert at[135.0] == pytest.approx(at[150.0], rel=1e-3)


def test_more_books_count_for_more_and_a_fit_starts_mostly_from_the_general_prior(messages):
    """Where to look first is asked of the experience; what is told, of both."""
    one, all_seven = (joined([("", m) for m in messages[:n]], "", "") for n in (1, 7))
    assert one.content["share"] == pytest.approx(0.4 / 3, abs=1e-4)
    described = session(experience=all_seven)
    assert learnt_prior(described).share == pytest.approx(0.4 * 7 / 9, abs=1e-4)
    assert expected_model(described).experience_share() == pytest.approx(7 / 9)


def test_a_setting_that_no_book_knew_keeps_the_general_prior(messages):
    made = joined([("b", m) for m in messages], "", "")
    wider = session().altered(
        factors=(*session().factors, Factor("pressure", 2, 6, "bar", step=0.5)), experience=made
    )
    trend = learnt_prior(wider).trend
    plain = expected_trend(shared_shape(coded_settings(wider)), Prior())
    slope, bend = 3, 6
    assert trend.mean[0, 0, bend] == pytest.approx(plain[0][bend])
    covariance = trend.root @ trend.root.T
    assert covariance[slope, slope] == pytest.approx(plain[1][slope, slope], rel=1e-6)


def test_no_best_place_is_told_of_a_setting_that_a_class_never_varied(messages):
    """Where another fabric's logbooks varied the heat, and nylon's the time and pressure only."""
    described = session()
    pressure = Factor("pressure", 20, 60, "psi", step=5, usual=40)
    timed = described.altered(
        factors=(described.factors[1], pressure),
        fabrics=[replace(described.fabrics[0], name="nylon")],
    )
    runs = plan(timed, 9, design="latin hypercube", seed=1).runs
    off = np.log(runs["press time"] / BEST[1]) / 0.8, (runs["pressure"] - 40) / 20
    runs["peel"] = runs["wash"] = np.round(np.clip(5.0 - off[0] ** 2 - off[1] ** 2, 1, 5))
    made = joined([("n", book_message(timed, runs)), ("c", messages[0])], "", "")
    told_of = {p["fabric"]: [s["key"] for s in p["settings"]] for p in made.content["places"]}
    assert told_of == {
        "cotton": ["press temperature", "press time"],
        "nylon": ["press pressure", "press time"],
    }
    assert " psi); by itself good from" in made.describe()


def test_no_best_place_is_above_the_lowest_heat_limit_of_its_class(messages):
    """Two nylons, the cooler one on a dial in °F; cotton's logbooks place the best at 150 °C."""
    limited = []
    for unit, limit, seed in (("°C", 140, 1), ("°F", 136, 2)):
        described = session(unit=unit).altered(fabrics=[Fabric("nylon", limit)])
        runs = plan(described, 9, design="latin hypercube", seed=seed).runs.assign(peel=4, wash=4)
        limited.append(book_message(described, runs))
        top = described.allowed(described.factors[0], "nylon")[-1]
    highest = math.floor((top - 32) * 5 / 9)  # the °F dial's, whole °C below it
    assert highest < 136, "an allowance for the press lies below its limit"
    made = joined([("c", messages[0]), *((f"{k}", m) for k, m in enumerate(limited))], "", "")
    of = {p["fabric"]: p["settings"][0] for p in made.content["places"]}
    assert of["nylon"]["key"] == "press temperature"
    assert of["nylon"]["best"] <= of["nylon"]["high"] <= of["nylon"]["limit"] == highest
    assert of["cotton"]["best"] > highest + 3 and "limit" not in of["cotton"]
    told_of = made.describe()
    assert f"highest set-point allowed: {highest} °C" in told_of and "care label" in told_of
    # A limit since noted under which nothing is left: the class is told no temperature at all.
    closed = described.altered(fabrics=[Fabric("nylon", 90)])
    late = joined([("n", book_message(closed, runs))], "", "").content["places"][0]["settings"]
    assert [one["key"] for one in late] == ["press time"]
    made.content["places"][0]["settings"][0]["limit"] = "hot"
    with pytest.raises(SessionError, match="places limit"):
        Experience(made.content)


def test_moves_of_a_change_are_learnt_and_used(messages):
    """Changes that moved much more, or less, than is assumed in general; few move it little."""
    rng = np.random.default_rng(4)

    def learnt(true, count):
        shifts = rng.normal(0, true, count)
        # Seen with an sd of 2 °C, under a general prior of 4 °C.
        after = 1 / np.sqrt(1 / 4**2 + 1 / 2**2)
        seen = after**2 * (shifts + rng.normal(0, 2, count)) / 2**2
        books = [[Move.of("powder", "cure", 4.0, float(m), after)] for m in seen]
        return learnt_moves([(moves, ()) for moves in books])["powder"]["sd"]["cure"]

    assert learnt(10.0, 60) == pytest.approx(10.0, rel=0.3)
    assert learnt(1.0, 60) < 2.0
    assert learnt(10.0, 1) < 8.0
    assert learnt_moves([([Move.of("powder", "cure", 4.0, 0.0, 4.0)], ())]) == {}
    made = joined(
        [("b", replace(messages[0], moves=(Move("film", "press", 3.0, 1.0, 9.0),)))], "", ""
    )
    sd = made.content["moved"]["film"]["sd"]["press"]
    assert sd > 4.0 and "A change of film moves press" in made.describe()
    assert known_moves(made, "film", {"cure": 4.0, "press": 3.0}) == {"cure": 4.0, "press": sd}
    results = told(1, both=True)
    fitted = redial(session(experience=made), results, "cotton", changed="film")
    assert fitted.shifts[0].sd == pytest.approx(sd)


def test_what_a_change_keeps_is_learnt_and_used(messages):
    """A new film under which all is as before, and one with which most is otherwise."""
    described = Session(
        "two stages",
        [
            Factor("cure temperature", 110, 150, "°C", step=1, usual=130, stage="cure"),
            Factor("press temperature", 125, 165, "°C", step=1, usual=145, stage="press"),
        ],
        [Outcome("wash")],
        ["cotton"],
    )

    def pressed(sign, seed):
        runs = plan(described, 12, design="latin hypercube", seed=seed).runs
        off = ((runs["cure temperature"] - 130) / 16) ** 2
        off += ((runs["press temperature"] - 148) / 16) ** 2
        runs["wash"] = np.clip(np.round(3.0 + sign * (2.0 - 1.5 * off)), 1, 5)
        return runs

    def learnt(sign):
        told_by = redial(
            described, pressed(1.0, 1), "cotton", changed="film", now=pressed(sign, 2)
        ).fit.posterior
        kept = Kept.of("film", told_by, 0)
        assert kept.general == CHANGES["film"].correlation
        return joined([("b", replace(messages[0], kept=(kept,) * 3))], "", "")

    same, other = (learnt(sign) for sign in (1.0, -1.0))
    shares = [known_kept(made, "film", 0.95) for made in (same, other)]
    assert shares[1] < 0.9 and 0.955 < shares[0] < 1.0
    assert known_kept(same, "ink", 0.9) == known_kept(None, "film", 0.9) == 0.9
    assert (
        f"A change of film keeps what held before with a correlation of {shares[1]:.2f}"
        in other.describe()
    )
    again = redial(
        described.altered(experience=other), pressed(1.0, 1), "cotton", changed="film"
    ).fit.posterior.prior
    assert again.change_correlation == (shares[1],)
    damaged = {**other.content, "moved": {"film": {"sd": {}, "books": 1, "kept": 1.2}}}
    with pytest.raises(SessionError, match="moved film kept"):
        Experience(damaged)


@pytest.mark.parametrize(("grade", "asked"), [(5.0, [False, True]), (1.0, [False])])
def test_presses_are_chosen_without_experience_until_a_good_place_shows(
    messages, grade, asked, monkeypatch
):
    """Whether each map of likely windows, in turn, was drawn with the experience, and whether the
    target that is pressed is worked out with it."""
    described = session(experience=joined([("b", m) for m in messages], "", ""))
    results = plan(described, 5, seed=2).runs.assign(peel=grade, wash=grade)
    with_it, targets = [], []
    drawn, target_of = batch._likely_windows, batch.target_of

    def spied(fitted, names):
        with_it.append(fitted.session.experience is not None)
        return drawn(fitted, names)

    def spied_target(fitted, *rest):
        targets.append(fitted.session.experience is not None)
        return target_of(fitted, *rest)

    monkeypatch.setattr(batch, "_likely_windows", spied)
    monkeypatch.setattr(batch, "target_of", spied_target)
    assert len(next_presses(described, results, 3).runs) == 3
    assert with_it == asked
    assert targets == asked[-1:]


def test_messages_are_kept_to_the_last_digit(messages):
    whole = replace(
        messages[0],
        moves=(Move("film", "press", 3.0, 1 / 3, 9.0),),
        kept=(Kept("film", 0.95, (-1 / 3,) * 8),),
    )
    again = BookMessage.from_text(whole.to_text())
    assert again.to_text() == whole.to_text()
    assert (again.moves, again.kept) == (whole.moves, whole.kept)
    assert (again.fields[0].message.precision == messages[0].fields[0].message.precision).all()


def test_without_experience_nothing_of_it_is_in_the_answer():
    """The same digits whether it is left out or None, and whatever is changed of learning.

    The stored ones are of the general model of November 2026: they move with that alone.
    """
    rows, at = told(3, both=True), pd.DataFrame([{"press temperature": 150, "press time": 17}])
    rates = [
        fit(session(**more), rows).pass_rate(at, "cotton").iloc[0].tolist()
        for more in ({}, {"experience": None})
    ]
    assert rates[0] == rates[1]
    assert rates[0] == pytest.approx(STORED, abs=1e-6)
