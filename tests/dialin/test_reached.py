"""What a machine does around a set-point: evenly within its spread, or as its map was measured.

All readings are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, Outcome, Session, SessionError, fit
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.machine_spread import SPREAD_WEIGHTS, spread_draws, spread_nodes

EVEN = Factor("press temperature", 140, 180, "°C", 1, spread=6, usual=160)
# One cold corner: eight spots alike, the ninth far below.
COLD_CORNER = replace(EVEN, spots=(1.0,) * 8 + (-8.0,))


def test_an_even_spread_has_the_moments_of_the_uniform_distribution() -> None:
    """Variance a^2 / 3, fourth moment a^4 / 5 (any handbook; exact for five Gauss nodes)."""
    at = spread_nodes(EVEN)
    assert SPREAD_WEIGHTS @ at == pytest.approx(0.0)
    assert SPREAD_WEIGHTS @ at**2 == pytest.approx(36 / 3)
    assert SPREAD_WEIGHTS @ at**4 == pytest.approx(6**4 / 5)


@pytest.mark.parametrize("count", [2, 5, 9, 40])
def test_spots_keep_their_deviation_and_lean(count: int) -> None:
    spots = np.random.default_rng(count).gamma(1.0, 2.0, count) - 2.0
    at = spread_nodes(replace(EVEN, spread=0.0, spots=tuple(spots)))
    assert np.all(np.diff(at) >= -1e-12)
    assert SPREAD_WEIGHTS @ at == pytest.approx(0.0, abs=1e-12)
    assert SPREAD_WEIGHTS @ at**2 == pytest.approx(spots.var())
    lean = SPREAD_WEIGHTS @ at**3
    assert np.sign(lean) == np.sign(((spots - spots.mean()) ** 3).mean()) or count == 2


def test_a_map_without_any_difference_is_a_machine_that_does_not_wander() -> None:
    flat = Factor("press temperature", 140, 180, "°C", spots=[0.0] * 9)
    assert flat.spread == 0.0 and spread_nodes(flat).tolist() == [0.0] * 5
    assert "<td>± 0 °C, 9 spots measured</td>" in _session(flat)._repr_html_()


def test_a_display_that_is_off_everywhere_moves_no_pass_rate() -> None:
    """Presses and windows are both told as set: nothing may be asked at another place than where
    presses of the same setting were seen."""
    cold = replace(COLD_CORNER, spots=tuple(s - 8.0 for s in COLD_CORNER.spots))
    told, off = (_pass_rates(f, read=False) for f in (COLD_CORNER, cold))
    assert off.to_numpy() == pytest.approx(told.to_numpy(), abs=1e-9)
    assert spread_draws(cold, 50, np.random.default_rng(1)) == pytest.approx(
        spread_draws(COLD_CORNER, 50, np.random.default_rng(1))
    )


def test_single_presses_land_on_the_spots() -> None:
    found = spread_draws(COLD_CORNER, 4000, np.random.default_rng(1))
    assert set(found) == {1.0, -8.0}
    assert np.mean(found == -8.0) == pytest.approx(1 / 9, abs=0.02)
    even = spread_draws(EVEN, 4000, np.random.default_rng(1))
    assert np.abs(even).max() <= 6 and even.std() == pytest.approx(6 / np.sqrt(3), rel=0.05)


def _pass_rates(factor: Factor, *, read: bool = True) -> pd.Series:
    """Presses (whose readings were taken) pass above 150 °C and fail below, whatever the map."""
    session = _session(factor)
    reached = np.repeat([142.0, 145.0, 148.0, 152.0, 155.0, 158.0, 165.0, 172.0], 3)
    results = pd.DataFrame({
        "press": range(1, 25), "fabric": "cotton", "oven_load": range(1, 25),
        "press_round": range(1, 25), factor.name: reached, f"{factor.name}_actual": reached,
        "holds": (reached > 150).astype(int),
    })  # fmt: skip
    if not read:
        results = results.drop(columns=f"{factor.name}_actual")
    asked = pd.DataFrame({factor.name: [152.0, 154.0, 156.0]})
    return fit(session, results).pass_rate(asked, "cotton")["pass_rate"]


def _session(factor: Factor) -> Session:
    return Session("s", (factor,), (Outcome("holds", kind="passfail"),), ("cotton",))


def test_a_cold_corner_costs_pass_rate_above_the_edge_that_an_even_spread_does_not() -> None:
    """Of the same standard deviation: the corner reaches farther below the edge than +-a does."""
    same = replace(EVEN, spread=float(np.std(COLD_CORNER.spots) * np.sqrt(3)))
    hot_corner = replace(COLD_CORNER, spots=tuple(-s for s in COLD_CORNER.spots))
    cold, even, hot = (_pass_rates(f) for f in (COLD_CORNER, same, hot_corner))
    assert np.all(np.abs(cold - hot) > 1e-4)
    assert (cold - even).abs().max() < 0.2


def test_a_description_keeps_its_spots_and_refuses_what_is_none() -> None:
    session = _session(COLD_CORNER)
    assert Session.from_toml(session.to_toml()) == session
    assert Coding(session).points(pd.DataFrame({EVEN.name: [160.0]}), np.zeros(1, int)).n == 1
    only = Factor("t", 140, 180, "°C", spots=[-2, 0, 4])
    assert only.spread == 3.0
    for given, told in (
        ([1.0], "spots holds 1; spots are a list of 2 to 500"),
        ("1, 2", "spots is '1, 2'; spots are a list"),
        ([1.0, float("nan")], "spots"),
        ([1.0, 160.0], "spots holds 160; each is a distance from the set-point"),
    ):
        with pytest.raises(SessionError, match=told):
            replace(EVEN, spots=given)
        with pytest.raises(SessionError, match=told):
            replace(EVEN, spread=0.0, spots=given)
    with pytest.raises(SessionError, match="spread is 1, and spots reach 4 either way"):
        Factor("t", 140, 180, "°C", spread=1, spots=[-4, 4])
    with pytest.raises(SessionError, match="no unit, spread, spots or readings"):
        Factor("peel", levels=("hot", "cold"), spots=np.array([1, 2]))


def test_a_setting_that_was_read_off_does_not_vary_any_more() -> None:
    """Half-range 20 °C, even spread ±6: sd 6 / sqrt(3) / 20 in codes where nothing was read; none
    where it was."""
    session = Session("read", (EVEN,), (Outcome("peel"),), ("cotton",))
    results = pd.DataFrame(
        {"press": [1, 2], "fabric": "cotton", "oven_load": [1, 2], "press_round": [1, 2],
         "press temperature": [160.0, 160.0], "press temperature_actual": [170.0, np.nan],
         "peel": [4.0, 4.0]}
    )  # fmt: skip
    data = Coding(session).data(results)
    assert data.spread[:, 0] == pytest.approx([0.0, 6 / np.sqrt(3) / 20])
    assert data.at.nodes[:, 0, 0] == pytest.approx([0.5, 0.0])
