"""Who gets how many presses of a batch, what is asked of whom, and when the target is pressed."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest

from dtfexp import Outcome, Session, fit, next_presses, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.following import batch
from dtfexp.dialin.following.batch import _stacked_cells
from dtfexp.dialin.following.likely_window import LikelyWindow
from dtfexp.dialin.following.need import need, shared_by_need, shares_in_words
from dtfexp.maths.prediction.pass_probability import PassPosterior, probit
from tests.dialin.bench import CURE, PRESS_TIME, graded

TWO = Session("two", (CURE, PRESS_TIME), (Outcome("peel"),), ("cotton", "nylon"))


def window(expected: list[float], weight: list[float], chance: float = 0.0) -> LikelyWindow:
    """A likely window of hand-made cells; the first has the highest chance."""
    count = len(expected)
    frame = pd.DataFrame({CURE.name: 125.0, PRESS_TIME.name: 10.0 + np.arange(count)})
    every = np.linspace(chance, 0.0, count)
    zero = np.zeros(count)
    return LikelyWindow(frame, every, np.array(expected), np.array(weight), zero, zero, zero)


def test_need_is_the_share_of_the_likely_window_that_is_not_known() -> None:
    """By hand: cells of weight 0.6 and 0.3 pass 0.9 and more, one of weight 0.3 does not."""
    found = window([0.95, 0.90, 0.89], [0.6, 0.3, 0.3])
    assert need(found, 4, 0.9) == pytest.approx(0.25)
    # On three presses of its own nothing is promised, however good it looks.
    assert need(found, 3, 0.9) == 1.0
    assert need(window([0.95, 0.92], [0.5, 0.5]), 10, 0.9) == 0.1
    assert need(window([0.85, 0.80], [0.5, 0.5]), 10, 0.9) == 1.0


def test_presses_are_shared_in_proportion_to_need() -> None:
    """Against every way to share them out: Sainte-Lague's is the one whose presses per need are
    most alike, the weighted sum of squares."""
    needs = {"a": 0.1, "b": 1.0, "c": 0.34}
    total = sum(needs.values())
    for presses in range(1, 13):
        given = shared_by_need(presses, needs)
        assert list(given) == ["b", "c", "a"]

        def unlike(of: dict[str, int], presses: int = presses) -> float:
            return sum(v * (of[n] / v - presses / total) ** 2 for n, v in needs.items())

        ways = (
            dict(zip(needs, way, strict=True))
            for way in product(range(presses + 1), repeat=3)
            if sum(way) == presses
        )
        assert unlike(given) == pytest.approx(min(map(unlike, ways)))
    # Of equal needs the fabric named first comes first.
    assert shared_by_need(4, {"x": 1.0, "y": 1.0, "z": 1.0}) == {"x": 2, "y": 1, "z": 1}


def test_what_is_asked_of_a_fabric_does_not_depend_on_the_others() -> None:
    """Cotton's best cell is at 0.86: asked for the full 0.90, and its edges are sought.  Nylon's
    best is at 0.40: asked for 0.65, and not for the 0.90 that cotton could meet; at 0.1, for half.
    A cell without weight is left out."""
    coding = Coding(TWO)
    cotton, nylon = window([0.9, 0.8], [1.0, 1.0], 0.86), window([0.5] * 3, [3.0, 0.0, 1.0], 0.40)
    cells = _stacked_cells(coding, {"cotton": cotton, "nylon": nylon})
    assert cells.demanded == pytest.approx([0.9] * 2 + [0.65] * 2)
    assert cells.weight == pytest.approx([0.25, 0.25, 0.375, 0.125])
    assert cells.chance == pytest.approx([0.86, 0.0, 0.40, 0.0])
    assert list(cells.points.fabric) == [0, 0, 1, 1]
    # z of 0.90, from a chance of one half on.
    assert cells.predictive[:2] == pytest.approx([1.2815516] * 2)
    assert np.isnan(cells.predictive[2:]).all()
    even, less = (
        _stacked_cells(coding, {"cotton": window([0.9], [1.0], chance), "nylon": nylon})
        for chance in (0.5, 0.49)
    )
    assert even.predictive[0] == pytest.approx(1.2815516) and np.isnan(less.predictive[0])
    far = _stacked_cells(coding, {"cotton": cotton, "nylon": window([0.2], [1.0], 0.1)})
    assert far.demanded[-1] == 0.5


def test_the_words_say_who_gets_what_and_why() -> None:
    said = shares_in_words(
        {"nylon": 5, "cotton": 3},
        {"cotton": window([0.95, 0.89], [0.6, 0.4]), "nylon": window([0.6], [1.0])},
        0.9,
    )
    assert said == (
        "Shared by need: nylon gets 5 (its good place is not sure yet) and cotton gets 3 (60% of "
        "its likely window is known)."
    )


def test_a_fabric_with_nothing_gets_most_of_a_batch() -> None:
    """Cotton has been pressed 16 times, nylon never."""
    results = graded(TWO, plan(TWO, 16, fabrics=["cotton"]).runs, width=1.6)
    made = next_presses(TWO, results, 8)
    count = made.runs["fabric"].value_counts()
    assert count["nylon"] > count["cotton"] >= 1
    assert f"nylon gets {count['nylon']} (its good place is not sure yet)" in made.reason


def test_the_target_is_pressed_once_it_is_worked_out_and_not_again() -> None:
    """A batch of three and more holds the target; two presses have none to spare, and one that
    has been pressed, its grades still to come, is not pressed again."""
    quick = Session("quick", (CURE, PRESS_TIME), (Outcome("peel"),), ("cotton",))
    # Best beside what the shop runs today.
    best = (replace(CURE, usual=135), replace(PRESS_TIME, usual=17))
    better = Session("better", best, quick.outcomes, ("cotton",))
    results = graded(better, plan(quick, 10).runs, seed=1, width=1.6)
    target = fit(quick, results).window("cotton").target
    names = list(target)

    def pressed(results: pd.DataFrame, presses: int) -> tuple[int, int]:
        made = next_presses(quick, results, presses)
        said = sum(why.startswith("Presses the target, not pressed yet") for why in made.why)
        return int((made.runs[names] == pd.Series(target)).all(axis=1).sum()), said

    assert not (results[names] == pd.Series(target)).all(axis=1).any()
    assert pressed(results, 3) == (1, 1)
    assert pressed(results, 2)[1] == 0
    last = results.iloc[[-1]].assign(press=11, oven_load=90, press_round=90, peel=np.nan)
    assert pressed(pd.concat([results, last.assign(**target)], ignore_index=True), 3)[1] == 0


def test_where_all_presses_failed_the_best_known_place_is_pressed_first() -> None:
    """Of a bench whose good place lies far from today's settings; of two presses one is spent on
    it, and none where half and more are expected to pass somewhere."""
    quick = Session("quick", (CURE, PRESS_TIME), (Outcome("peel"),), ("cotton",))
    failed = plan(quick, 6).runs
    fell = np.where(failed[CURE.name] < 125, 2.0, 1.0)
    lost, found = failed.assign(peel=fell), failed.assign(peel=fell + 3.0)
    target = fit(quick, lost).window("cotton").target
    first = next_presses(quick, lost, 2)
    said = [
        why.startswith("The good place is not sure yet: presses the best one") for why in first.why
    ]
    there = (first.runs[list(target)] == pd.Series(target)).all(axis=1)
    assert list(there) == said and sum(said) == 1
    assert not any("the best one known" in why for why in next_presses(quick, found, 2).why)


@pytest.mark.parametrize(
    ("presses", "share", "expected", "pressed"),
    [
        (4, 1, 0.4, True),  # nothing is expected to pass half: the best known, from 4 presses on
        (3, 1, 0.4, False),
        (4, 3, 0.9, True),  # worked out, and three presses to spend
        (4, 2, 0.9, False),
        (4, 3, 0.8, False),  # neither lost nor worked out
    ],
)
def test_the_target_is_among_the_presses_where_it_may_be_relied_on(
    monkeypatch: pytest.MonkeyPatch, presses: int, share: int, expected: float, pressed: bool
) -> None:
    target = {CURE.name: 120.0, PRESS_TIME.name: 15.0}
    monkeypatch.setattr(batch, "target_of", lambda *_: target)

    class Fitted:
        session = TWO
        results = pd.DataFrame({"fabric": ["nylon"], CURE.name: [120.0], PRESS_TIME.name: [15.0]})

        def presses_used(self, fabric: str) -> int:
            return presses

        def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior:
            rate = np.array([[expected]])
            return PassPosterior(probit(rate) * 1.0001, np.full((1, 1), 1e-3), np.ones(1))

    found = batch._targets_to_press(
        Fitted(),  # type: ignore[arg-type]
        {"cotton": window([expected, 0.2], [1.0, 1.0])},
        {"cotton": share},
    )
    assert found == ({"cotton": target} if pressed else {})


@pytest.mark.parametrize(("gain", "chosen"), [(1.2, 1), (1.05, 0)])
def test_a_group_is_chosen_by_what_it_adds_after_its_price(gain: float, chosen: int) -> None:
    """Worth 10 already.  One press at settings used before adds 1; one at new settings adds 1.2,
    of which 0.92 are left: 1.104, more than 1; or 1.05: 0.966, less."""

    class Outlook:
        value = 10.0

        def __init__(self, members: list[int]) -> None:
            self.members = members

        def scores(self, rows: np.ndarray) -> np.ndarray:
            return 10.0 + np.array([1.0, gain])[np.array(self.members)[rows]]

        def restricted_copy(self, members: np.ndarray) -> Outlook:
            return Outlook(list(members))

        def add_press(self, choice: int) -> None:
            self.value = 10.0 + [1.0, gain][self.members[choice]]

    class Pool:
        duplicate_code = np.arange(2)

        def by_slow_settings(self, only: str) -> dict[tuple[float, ...], np.ndarray]:
            return {(120.0,): np.array([0]), (130.0,): np.array([1])}

        def changeover_factor(self, key: tuple[float, ...], used: set[tuple[float, ...]]) -> float:
            return 1.0 if key in used else 0.92

    found = batch._best_group(Outlook([0, 1]), Pool(), 1, {(120.0,)}, "cotton", [])  # type: ignore[arg-type]
    assert found == [chosen]
