"""Where the window may lie, what is pressed to find out, and why."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, Fit, Outcome, Session, fit, next_presses, plan
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.following import candidates
from dtfexp.dialin.following import next_presses as following
from dtfexp.dialin.following.batch import (
    CELL_BUDGET,
    _stacked_cells,
    _was_pressed,
    after_price,
    choose_batch,
)
from dtfexp.dialin.following.candidates import candidate_pool, slow_factors
from dtfexp.dialin.following.likely_window import (
    LikelyWindow,
    _box_frequencies,
    _zoom_range,
    likely_window,
)
from dtfexp.dialin.following.next_presses import batch_reason
from dtfexp.maths.acquisition import probit_margin
from dtfexp.maths.acquisition.batch_acquisition import BatchAcquisition
from dtfexp.maths.boxes.box import largest_box
from dtfexp.maths.inference.infer import at_central_hyperparameters
from tests.dialin.bench import (
    CURE,
    FOUR,
    HALF,
    PEEL,
    PRESS,
    PRESS_TIME,
    SESSIONS,
    WORDS,
    graded,
)


def likely(
    session: Session, presses: int, fabric: str = "cotton", width: float = 1.0
) -> LikelyWindow:
    fitted = fit(session, graded(session, plan(session, presses).runs, width=width))
    return likely_window(fitted, at_central_hyperparameters(fitted.posterior), fabric, 0.9, 800)


def test_the_likely_window_lies_round_the_good_settings() -> None:
    """Grades are best at the usual settings: so are the cells that lie in most drawn windows."""
    found = likely(FOUR, 26, width=1.6)
    core = found.frame[found.weight >= 0.8 * found.weight.max()]
    for factor in FOUR.factors:
        low, high = factor.bounds
        middle = core[factor.name].mean()
        assert abs(middle - float(factor.usual)) < 0.25 * (high - low)
    assert ((found.sizes > 0).mean() > 0.9) and (found.weight <= 1.0).all()


def test_more_presses_draw_the_likely_window_closer() -> None:
    """The drawn windows of a long session agree better on their size than those of a short one."""
    few, many = likely(HALF, 8, "nylon"), likely(HALF, 60, "nylon")

    def scatter(sizes: np.ndarray) -> float:
        return float(np.std(sizes) / np.mean(sizes))

    assert scatter(many.sizes) < 0.6 * scatter(few.sizes)


def test_the_heat_limit_holds_for_the_likely_window() -> None:
    assert likely(HALF, 12, "nylon").frame["press temperature"].max() <= 300


def test_with_no_good_place_cells_still_have_a_weight() -> None:
    results = plan(FOUR, 10).runs.assign(peel=1, wash=1)
    fitted = fit(FOUR, results)
    found = likely_window(fitted, at_central_hyperparameters(fitted.posterior), "cotton", 0.9, 500)
    assert found.weight.max() > 0 and np.isfinite(found.weight).all()
    assert len(next_presses(FOUR, results, 4).runs) == 4


def test_every_slow_pair_has_the_same_quick_settings_to_choose_from() -> None:
    results = graded(FOUR, plan(FOUR, 10).runs)
    fitted = fit(FOUR, results)
    here = likely_window(fitted, at_central_hyperparameters(fitted.posterior), "cotton", 0.9, 500)
    pool = candidate_pool(fitted, ["cotton"], {"cotton": here.candidate_region()}, 0)
    quick = ["cure time", "press time"]
    chosen = [
        set(map(tuple, pool.frame.loc[rows, quick].to_numpy()))
        for rows in pool.by_slow_settings().values()
    ]
    assert len(chosen) >= 8
    assert all(len(one) >= 8 and one == chosen[0] for one in chosen)


@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
def test_no_press_of_a_batch_is_made_twice_and_each_says_why(session: Session) -> None:
    """As long as there are others, even where both settings are slow to change."""
    results = graded(session, plan(session, 10).runs)
    made = next_presses(session, results, 4)
    settings = made.runs[["fabric", *(f.name for f in session.factors)]]
    if session is not WORDS and len(made.runs):
        assert not settings.duplicated().any()
    assert len(made.why) == len(made.runs)
    for sentence in made.why:
        what, outlook = sentence.removeprefix("The good place is not sure yet: ").split("; ", 1)
        assert what.casefold().startswith(("tests how ", "makes sure", "presses the target"))
        assert outlook.startswith(("will probably pass", "may pass or fail", "will probably fail"))
        assert sentence[0].isupper() and sentence.endswith(".")
    assert plan(session, 4).why == ()


def test_a_sentence_names_the_edge_in_the_dials_unit() -> None:
    """Only the hot side is good: what lies past the window's cool edge tests how cool it can be."""
    runs = plan(FOUR, 26).runs
    good = (runs["cure temperature"] >= 125).astype(int)
    results = runs.assign(peel=2 + 3 * good, wash=2 + 3 * good)
    made = next_presses(FOUR, results, 8)
    pairs = zip(made.why, made.runs["cure temperature"], strict=True)
    cool = [why for why, at in pairs if at <= 115]
    assert all("how cool the cure can be" in why and "°C)" in why for why in cool)
    html = made._repr_html_()
    # Words and units of the shop, no name of a column; the reason stands once.
    assert "oven_load" not in html and "oven load" in html and ".0<" not in html
    assert html.count(made.reason) == 1
    assert "Press 27:" in html and isinstance(made.runs, pd.DataFrame)


QUICK = Session("quick", (CURE, PRESS_TIME), (Outcome("peel"),), ("cotton",))


def best_single(fitted: Fit, *, pending: bool, price: float) -> dict[str, object]:
    """The press worth most, by looking at every candidate: what it proves with all that is under
    way, times ``price`` when its oven temperature was not set before."""
    post = at_central_hyperparameters(fitted.posterior)
    mapped = {"cotton": likely_window(fitted, post, "cotton", 0.9, CELL_BUDGET)}
    cells = _stacked_cells(fitted.coding, mapped)
    pool = candidate_pool(fitted, ["cotton"], {"cotton": mapped["cotton"].candidate_region()}, 0)
    top = float(mapped["cotton"].chance.max())
    asked = min(max(top + 0.25, 0.5), 0.9)
    edges = np.full(len(cells.weight), 1.2815516 if top >= 0.5 else np.nan)
    outlook = BatchAcquisition(
        post, cells.points, pool.candidates, cells.weight, asked, cells.margin, edges
    )
    waiting = fitted.results.index[fitted.results["peel"].isna()]
    if pending:
        for k in range(len(waiting)):  # on their way: the last rows of the candidates
            outlook.add_press(len(pool.frame) + k, (0,))
    gain = outlook.scores(np.arange(len(pool.frame))) - outlook.value
    before = set(fitted.results["cure temperature"])
    new = ~pool.frame["cure temperature"].isin(before).to_numpy()
    return pool.frame.iloc[int(np.argmax(gain * np.where(new, price, 1.0)))].to_dict()


def under_way(seed: int) -> Fit:
    """Ten graded presses and two still in the wash."""
    results = graded(QUICK, plan(QUICK, 12).runs, seed)
    results["peel"] = results["peel"].astype(float)
    results.loc[results.index[-2:], "peel"] = np.nan
    return fit(QUICK, results)


def test_one_press_is_the_best_of_all_beside_those_under_way_and_after_its_price(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The price is set high here, so that it decides."""
    monkeypatch.setattr(candidates, "CHANGEOVER_FACTOR", 0.5)
    told = []
    for seed in (2, 3):
        fitted = under_way(seed)
        best = best_single(fitted, pending=True, price=0.5)
        chosen = choose_batch(fitted, ["cotton"], 1, 0)
        assert chosen is not None and chosen.presses.iloc[0].to_dict() == best
        others = (
            best_single(fitted, pending=False, price=0.5),
            best_single(fitted, pending=True, price=2.0),
        )
        told.append([best != other for other in others])
    # The test means something: leaving either out would press something else.
    assert np.any(told, axis=0).all(), told


def test_a_temperature_not_set_before_costs_eight_of_a_hundred() -> None:
    fitted = under_way(0)
    here = likely_window(fitted, at_central_hyperparameters(fitted.posterior), "cotton", 0.9, 300)
    pool = candidate_pool(fitted, ["cotton"], {"cotton": here.candidate_region()}, 0)
    used = {(120.0, 310.0), (130.0, 300.0)}
    assert pool.changeover_factor((120.0, 300.0), used) == 1.0
    assert pool.changeover_factor((125.0, 300.0), used) == pytest.approx(0.92)
    assert pool.changeover_factor((125.0, 305.0), used) == pytest.approx(0.8464)
    # One fabric's own candidates, and none of a fabric that has none.
    assert sorted(pool.by_slow_settings("cotton")) == sorted(pool.by_slow_settings()) != []
    assert pool.by_slow_settings("nylon") == {}


@pytest.mark.parametrize(("gain", "left"), [(2.0, 1.0), (0.05, 0.025), (0.0, 0.0), (-2.0, -4.0)])
def test_a_price_of_a_half_halves_a_gain_and_doubles_a_loss(gain: float, left: float) -> None:
    assert after_price(gain, 0.5) == left


def test_a_word_that_never_holds_takes_no_presses_from_one_that_does() -> None:
    """Hot and cold peel never pass: the likely window, and so the batch, leaves hot peel alone."""
    peeled = Session("peeled", (CURE, PRESS, PEEL), (Outcome("peel"),), ("cotton",))
    made = graded(peeled, plan(peeled, 20, seed=1).runs)
    made.loc[made[PEEL.name] != "warm", "peel"] = 1.0
    fitted = fit(peeled, made)
    found = likely_window(fitted, at_central_hyperparameters(fitted.posterior), "cotton", 0.9, 600)
    weight = pd.Series(found.weight).groupby(found.frame[PEEL.name].to_numpy()).sum()
    assert weight["hot"] == 0 and weight["cold"] < 0.1 * weight["warm"]


def test_candidates_reach_a_margin_past_the_region_and_share_loads_by_oven() -> None:
    """Press time 12 to 18 s: 0.15 of 6 s and one step, 1.9 s, on each side; the oven 4.5 °C."""
    fitted = under_way(0)
    region = pd.DataFrame({"cure temperature": [120, 130], "press time": [12, 18]})
    pool = candidate_pool(fitted, ["cotton"], {"cotton": region}, 0)
    assert set(pool.frame["press time"]) == set(range(11, 20))
    # 115.5 to 134.5 °C: three settings of the dial.
    assert set(pool.frame["cure temperature"]) == {120, 125, 130}
    fresh = len(pool.frame)
    loads = pd.Series(pool.candidates.load[:fresh]).groupby(pool.frame["cure temperature"])
    assert (loads.nunique() == 1).all() and loads.first().nunique() == 3
    assert (pool.candidates.round_[:fresh] == 0).all()
    # The two presses in the wash keep loads and rounds of their own.
    waiting = fitted.results.tail(2)
    for column, codes in (("oven_load", "load"), ("press_round", "round_")):
        own = getattr(pool.candidates, codes)[fresh:]
        assert own[0] == 10_000 and (own[0] == own[1]) == (waiting[column].nunique() == 1)
        assert not set(own) & set(getattr(pool.candidates, codes)[:fresh])


def test_the_reason_speaks_of_one_window_or_of_several() -> None:
    class Used:
        def presses_used(self, fabric: str) -> int:
            return 3

    class Known:
        def known_share(self, pass_rate: float) -> float:
            return 0.4

        def has_good_place(self, pass_rate: float) -> bool:
            return True

    class Chosen:
        def __init__(self, **shares: int) -> None:
            self.shares, self.likely = shares, dict.fromkeys(shares, Known())

    assert batch_reason(Used(), Chosen(cotton=4)) == (  # type: ignore[arg-type]
        "Chosen to show where the window of cotton ends, with few changes of temperature."
    )
    assert batch_reason(Used(), Chosen(cotton=3, nylon=1)) == (  # type: ignore[arg-type]
        "Chosen to show where the windows of cotton and nylon end, with few changes of temperature."
        " Shared by need: cotton gets 3 (40% of its likely window is known) and nylon gets 1 "
        "(40% of its likely window is known)."
    )


def test_a_batch_worth_nothing_more_gives_an_empty_plan_that_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(following, "choose_batch", lambda *_: None)
    results = graded(QUICK, plan(QUICK, 10).runs)
    made = next_presses(QUICK, results, 4)
    assert made.runs.empty and list(made.runs.columns[-2:]) == ["cure temperature", "press time"]
    assert "10 presses say enough; confirm the target instead." in made.reason


def test_a_closer_look_keeps_the_cells_that_count_and_one_more_on_each_side() -> None:
    grid = grids.grid(QUICK, "cotton", {}, 1000)
    assert grid.shape == (9, 17)
    flat = np.ones(grid.shape)
    assert _zoom_range(grid, flat.ravel()) is None
    # All but the two hottest count: one more on that side still leaves the hottest out.
    flat[7:] = 0.0
    whole = {"cure temperature": (105.0, 140.0), "press time": (8.0, 24.0)}
    assert _zoom_range(grid, flat.ravel()) == whole
    flat[:, [0, 1, 2, 15, 16]] = 0.0
    assert _zoom_range(grid, flat.ravel()) == whole | {"press time": (10.0, 23.0)}
    # Only the three hottest count.
    flat = np.repeat(np.arange(9) > 5, 17).astype(float)
    assert _zoom_range(grid, flat) == {
        "cure temperature": (130.0, 145.0),
        "press time": (8.0, 24.0),
    }


@pytest.mark.parametrize(
    ("oven", "time", "pressed"),
    [(120.0, 15, True), (121.5, 14.5, True), (121.6, 15, False), (120.0, 14.4, False)],
)
def test_a_target_counts_as_pressed_within_half_a_spread_or_step(
    oven: float, time: float, pressed: bool
) -> None:
    """Oven: half of 3 °C. Press time has no spread: half a step of 1 s."""

    class Recorded:
        session = QUICK
        results = pd.DataFrame(
            {"fabric": ["cotton"], "cure temperature": [oven], "press time": [time]}
        )

    target = {"cure temperature": 120.0, "press time": 15.0}
    assert _was_pressed(Recorded(), "cotton", target) is pressed  # type: ignore[arg-type]
    assert not _was_pressed(Recorded(), "nylon", target)  # type: ignore[arg-type]


def test_a_target_with_another_word_was_not_pressed() -> None:
    class Recorded:
        session = WORDS
        results = pd.DataFrame(
            {"fabric": ["cotton"], "peel method": ["warm"], "pressure": ["firm"]}
        )

    def pressed(peel: str, pressure: str) -> bool:
        target = {"peel method": peel, "pressure": pressure}
        return _was_pressed(Recorded(), "cotton", target)  # type: ignore[arg-type]

    assert pressed("warm", "firm")
    assert not pressed("warm", "light") and not pressed("hot", "firm")


def test_slow_are_the_ovens_temperature_and_what_is_hard_to_change() -> None:
    fitted = fit(FOUR, plan(FOUR, 4).runs.assign(peel=np.nan, wash=np.nan))
    assert [f.name for f in slow_factors(fitted)] == ["cure temperature", "press temperature"]


def test_without_slow_settings_every_candidate_has_a_place_of_its_own() -> None:
    """480 Sobol points over 17 x 161 steps of the dials: at most a few fall together."""
    fine = Factor("finish", 2, 18, "s", 0.1, usual=10)
    quick = Session("quick", (PRESS_TIME, fine), (Outcome("peel"),), ("cotton",))
    fitted = fit(quick, plan(quick, 4).runs.assign(peel=np.nan))
    region = pd.DataFrame({"press time": [8, 24], "finish": [2.0, 18.0]})
    frame = candidate_pool(fitted, ["cotton"], {"cotton": region}, 0).frame
    assert len(frame) == 480 and (~frame.duplicated()).sum() > 400


def test_a_cell_counts_in_the_maps_whose_largest_good_box_holds_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two of three maps are the mean margin, one half a probit lower: each box by itself."""
    fitted = fit(QUICK, graded(QUICK, plan(QUICK, 16).runs, width=1.6))
    grid = grids.grid(QUICK, "cotton", {}, 400)
    lower = np.array([0.0, 0.0, -0.5])[:, None]
    monkeypatch.setattr(probit_margin, "draw_margins", lambda margin, *_: margin + lower)
    post = at_central_hyperparameters(fitted.posterior)
    found = _box_frequencies(fitted, post, "cotton", grid, 0.9, 3)
    times = np.zeros(grid.shape)
    for off, count in ((0.0, 2), (-0.5, 1)):
        good = (found.margin + off >= 0).reshape(grid.shape)
        box = largest_box(good, list(grid.axes), [3.0, 1.0])
        assert box is not None and not good.all()
        times[box.lo[0] : box.hi[0] + 1, box.lo[1] : box.hi[1] + 1] += count
    assert found.weight == pytest.approx(times.ravel() / 3) and len(set(found.sizes)) == 2
    passing = fitted.pass_posterior(found.frame, "cotton")
    assert found.expected == pytest.approx(passing.expected())
    assert found.chance == pytest.approx(passing.chance_at_least(0.9))
