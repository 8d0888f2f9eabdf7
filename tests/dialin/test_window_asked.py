"""Windows of a width asked for, and how sure a whole window is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dtfexp import Fit, SessionError, Window, fit, next_presses, plan
from dtfexp.dialin.whole_box import _spots
from dtfexp.maths.joint import pass_given, press_at
from dtfexp.maths.posterior import predict
from dtfexp.maths.together import together
from tests.dialin.bench import FOUR, graded


@pytest.fixture(scope="module")
def known() -> Fit:
    return fit(FOUR, graded(FOUR, plan(FOUR, 26).runs, width=1.6))


def test_a_window_can_be_asked_to_be_wide_in_one_setting(known: Fit) -> None:
    plain = known.window("cotton")
    assert plain.found and plain.low and plain.high
    half = 0.5 * (plain.high["press time"] - plain.low["press time"]) + 0.5
    wide = known.window("cotton", at_least={"press time": half})
    assert wide.found and wide.low and wide.high
    assert wide.high["press time"] - wide.low["press time"] >= 2 * half - 1e-9
    assert known.window("cotton") is plain


def test_a_width_that_no_proven_window_has_is_told_apart_from_none_proven(known: Fit) -> None:
    window = known.window("cotton", at_least={"press time": 8, "cure time": 45})
    assert not window.found and window.low is None
    assert "as wide as was asked" in window.reason


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"press time": 9}, "'press time' is 9; give a half-width up to 8"),
        ({"press time": 0}, "half-width"),
        ({"press time": "5"}, "'5'"),
        ({"mood": 1}, "mood"),
    ],
)
def test_a_width_that_fits_nowhere_is_refused(known: Fit, asked: dict, told: str) -> None:
    with pytest.raises(SessionError, match=told):
        known.window("cotton", at_least=asked)


def _all_at_once(fitted: Fit, window: Window, draws: int = 400) -> tuple[float, float]:
    """Chance that the poorest spot of the window keeps its rate, and that all keep it at once."""
    post, spots = fitted.posterior, _spots(fitted, window)
    fabric = np.full(len(spots), fitted.coding.fabric_index(window.fabric))
    exact = fitted.coding.points(spots, fabric, spread=False)
    averaged = predict(post, fitted.coding.points(spots, fabric))
    rng = np.random.default_rng(0)
    alone, whole = np.zeros(len(spots)), 0.0
    for j, weight in enumerate(post.weight):
        joint = together(post, exact, j)
        size = joint.mean.size
        value, vector = np.linalg.eigh(joint.covariance.reshape(size, size))
        root = vector * np.sqrt(np.maximum(value, 0.0))
        fields = (rng.normal(size=(draws, size)) @ root.T).reshape(draws, *joint.mean.shape)
        press = press_at(post, j, averaged.mean[j], averaged.wander[j])
        kept = pass_given(post, j, averaged.mean[j] + fields, press) >= window.required
        alone += weight * kept.mean(axis=0)
        whole += weight * float(kept.all(axis=1).mean())
    return float(alone.min()), whole


def test_the_whole_window_is_less_sure_than_each_set_point(known: Fit) -> None:
    """Against draws from the exact joint posterior of all spots, at every scale setting: an own
    way to the same share.  Each is known to 0.03 or better; three times that."""
    window = known.window("cotton")
    alone, whole = _all_at_once(known, window)
    assert known.whole_confidence(window) == pytest.approx(whole, abs=0.09)
    assert known.whole_confidence(window) < alone
    # Corners included: the spots reach every end of the box.
    spots = _spots(known, window)
    for name in ("cure temperature", "press time"):
        assert np.isin([window.low[name], window.high[name]], spots[name]).all()


def test_no_window_is_not_sure_at_all(known: Fit) -> None:
    assert known.whole_confidence(known.window("cotton", pass_rate=0.9999)) == 0.0


def test_what_is_forbidden_is_in_no_window_no_target_and_no_next_batch(known: Fit) -> None:
    free = known.window("cotton")
    cut = 0.5 * (free.low["press time"] + free.high["press time"])
    session = replace(FOUR, forbidden=({"press time": f"> {cut:g}"},))
    allowed = known.results[known.results["press time"] <= cut]
    window = fit(session, allowed).window("cotton")
    assert window.target["press time"] <= cut
    assert not window.found or window.high["press time"] <= cut
    more = next_presses(session, allowed, 4).runs
    assert session.permits(more).all()
    assert fit(session, known.results).window("cotton").high["press time"] <= cut
