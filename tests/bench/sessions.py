"""Whole dial-in sessions on simulated benches, ours and the rivals', scored against the truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from dtfexp import Window, fit, next_presses, plan
from tests.bench.simulated import FACTORS, NAMES, Bench

REQUIRED = 0.90
CONFIDENCE = 0.90
# The window is also asked for with less confidence, after this many presses.
LESS_SURE, LESS_SURE_AT = (0.5, 0.7), 26


@dataclass(frozen=True)
class Score:
    """What a session reached: true and stated pass rate at the target, and the box against truth.

    ``less_sure``: confidence to volume and good share of the box that it would have; ``none``: said
    that no set-point in the range will do, not only that none is proven yet.
    """

    true_pass: float
    stated: float
    found: bool
    volume: float
    good_share: float
    temperatures: int
    whole: float = np.nan
    presses: int = 0
    less_sure: dict[float, tuple[float, float]] = field(default_factory=dict)
    none: bool = False


def ours(
    bench: Bench, batches: tuple[int, ...], seed: int, at: tuple[int, ...]
) -> dict[int, Score]:
    """A session in batches; scored whenever the presses planned reach a number in ``at``."""
    rng = np.random.default_rng(seed)
    results = bench.press(plan(bench.session, batches[0], seed=seed).runs, rng)
    scores = {}
    for k in range(len(batches)):
        # A session that has stopped by itself counts as it stands.
        if sum(batches[: k + 1]) in at:
            scores[sum(batches[: k + 1])] = _score(bench, results)
        if k + 1 < len(batches):
            more = next_presses(bench.session, results, batches[k + 1], seed=seed)
            if len(more.runs):
                results = pd.concat([results, bench.press(more.runs, rng)], ignore_index=True)
    return scores


def _score(bench: Bench, results: pd.DataFrame) -> Score:
    fitted = fit(bench.session, results)
    window = fitted.window("cotton", pass_rate=REQUIRED, confidence=CONFIDENCE)
    target = np.array([[window.target[n] for n in NAMES]])
    volume, share = box(bench, window)
    whole = fitted.whole_confidence(window) if window.found else np.nan
    less_sure = {}
    if len(results) == LESS_SURE_AT:
        for confidence in LESS_SURE:
            other = fitted.window("cotton", pass_rate=REQUIRED, confidence=confidence)
            less_sure[confidence] = box(bench, other)
    slow = results["cure temperature"].nunique() + results["press temperature"].nunique()
    return Score(
        float(bench.true_pass(target)[0]),
        window.pass_rate,
        window.found,
        volume,
        share,
        int(slow),
        whole,
        len(results),
        less_sure,
        window.reason.startswith("No set-point in this range"),
    )


def box(bench: Bench, window: Window) -> tuple[float, float]:
    """Volume of a window (product of widths over spread) and the share of it that is truly good."""
    if not window.found:
        return 0.0, np.nan
    low = np.array([window.low[n] for n in NAMES])
    high = np.array([window.high[n] for n in NAMES])
    volume = float(np.prod((high - low) / np.array([f.spread for f in FACTORS])))
    unit = np.stack(np.meshgrid(*[np.linspace(0, 1, 5)] * 4, indexing="ij"), -1).reshape(-1, 4)
    return volume, float(np.mean(bench.true_pass(low + unit * (high - low)) >= REQUIRED))


def one_at_a_time(bench: Bench, presses: int, seed: int) -> float:
    """True pass rate after changing one setting at a time from the usual ones, best grade kept.

    Each round tries one step down and one up on a setting around the best so far and moves when
    the summed grades are better; steps start at a fifth of the range and halve after each round.
    """
    rng = np.random.default_rng(seed)
    best = np.array([float(f.usual) for f in FACTORS])
    made = 0

    def score(x: np.ndarray) -> float:
        nonlocal made
        made += 1
        runs = pd.DataFrame([x], columns=list(NAMES))
        runs = runs.assign(press=made, fabric="cotton", oven_load=made, press_round=made)
        graded = bench.press(runs, rng)
        return float(
            min(graded["peel"][0], graded["wash"][0])
            + 0.1 * (graded["peel"][0] + graded["wash"][0])
        )

    top = score(best)
    step = np.array([0.2 * (f.high - f.low) for f in FACTORS])
    while made < presses:
        for i, factor in enumerate(FACTORS):
            kept: list[np.ndarray] = [best]
            for sign in (-1.0, 1.0):
                if made >= presses:
                    break
                x = best.copy()
                x[i] = factor.snap(x[i] + sign * step[i])
                value = score(x)
                if value > top:
                    top, kept = value, [x]
                elif value == top:
                    kept.append(x)
            # Equal grades on both sides: the middle of what was equally good.
            best = np.mean(kept, axis=0)
        step = step / 2.0
    return float(bench.true_pass(best[None, :])[0])


def best_of_factorial(bench: Bench, presses: int, seed: int) -> float:
    """True pass rate of the best-graded run of a 2^4 with centre presses over half the range."""
    rng = np.random.default_rng(seed)
    runs = plan(
        bench.session, presses, design="fraction", runs=8 if presses < 17 else 16, reach=0.5
    ).runs
    graded = bench.press(runs, rng)
    score = graded[["peel", "wash"]].min(axis=1) + 0.1 * (graded["peel"] + graded["wash"])
    tops = graded.loc[score == score.max(), list(NAMES)].to_numpy(dtype=float)
    return float(bench.true_pass(tops[:1])[0])


def least_squares(bench: Bench, presses: int, seed: int) -> float:
    """True pass rate where a least-squares quadratic of the worse grade is highest, fitted to a
    face-centred composite over the whole range (26 presses: 16 corners, 8 faces, 2 centres)."""
    rng = np.random.default_rng(seed)
    runs = plan(bench.session, presses, design="central composite", alpha="face", reach=1.0).runs
    graded = bench.press(runs, rng)
    worse = graded[["peel", "wash"]].min(axis=1).to_numpy(dtype=float)
    coded = _coded(graded[list(NAMES)].to_numpy(dtype=float))
    beta = np.linalg.lstsq(_quadratic(coded), worse, rcond=None)[0]
    grid = np.stack(np.meshgrid(*[np.linspace(-1, 1, 9)] * 4, indexing="ij"), -1).reshape(-1, 4)
    best = grid[int(np.argmax(_quadratic(grid) @ beta))]
    low, high = (np.array([getattr(f, end) for f in FACTORS]) for end in ("low", "high"))
    return float(bench.true_pass((0.5 * (low + high) + 0.5 * best * (high - low))[None, :])[0])


def _coded(x: np.ndarray) -> np.ndarray:
    low, high = (np.array([getattr(f, end) for f in FACTORS]) for end in ("low", "high"))
    return (2.0 * x - low - high) / (high - low)


def _quadratic(z: np.ndarray) -> np.ndarray:
    pairs = [z[:, i] * z[:, j] for i in range(4) for j in range(i + 1, 4)]
    return np.column_stack([np.ones(len(z)), z, z**2, *pairs])
