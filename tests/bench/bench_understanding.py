"""Does the fit understand benches whose truth is known?  Sides of failure, surprises, grades.

Run from the root: ``python -m tests.bench.bench_understanding [benches per family] [presses]``.

For every failed press the side named by ``Fit.failure_sides`` is held against the truth: whether
more of that stage really makes the outcome that fails better.  ``surprises`` should flag few grades
of an honest bench (10 of 100 at the very most), and find a grade written two too low;
``check_grades`` should hold for 95 of 100 counts or more.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from dtfexp import fit, plan
from tests.bench.simulated import FACTORS, FAMILIES, NAMES, Bench, bench

_STAGE_OF = {"cure": (0, 1), "press": (2, 3)}


def true_gain(made: Bench, x: np.ndarray, stage: str) -> np.ndarray:
    """What an eighth of the ranges more, less an eighth less, does to the worse outcome (n,)."""
    low, high = (np.array([getattr(f, side) for f in FACTORS]) for side in ("low", "high"))
    reach = np.zeros(4)
    reach[list(_STAGE_OF[stage])] = 0.125 * (high - low)[list(_STAGE_OF[stage])]
    quality = made.quality["cotton"]
    worst = np.argmin(quality(x), axis=1)
    rows = np.arange(len(x))
    more, less = (quality(np.clip(x + s * reach, low, high))[rows, worst] for s in (1, -1))
    return more - less


def one(family: str, seed: int, presses: int) -> dict[str, float]:
    """Counts of one bench."""
    made = bench(family, seed)
    rng = np.random.default_rng(seed)
    results = made.press(plan(made.session, presses, seed=seed).runs, rng)
    fitted = fit(made.session, results)
    failed = results[(results[["peel", "wash"]] < 4).any(axis=1)]
    out = dict.fromkeys(
        ("failed", "named", "right", "sure", "sure right", "slips", "slips found"), 0.0
    )
    if len(failed):
        settings = failed[list(NAMES)]
        sides = fitted.failure_sides(settings, "cotton")
        out["failed"] = len(sides)
        for stage, little, much in (
            ("cure", "under-cured", "over-cured"),
            ("press", "under-pressed", "over-pressed"),
        ):
            gain = true_gain(made, settings.to_numpy(dtype=float), stage)
            for looks, sign in ((little, 1.0), (much, -1.0)):
                named = (sides["looks"] == looks).to_numpy()
                out["named"] += named.sum()
                out["right"] += (named & (sign * gain > 0)).sum()
                sure = (sides[looks] >= 0.9).to_numpy()
                out["sure"] += sure.sum()
                out["sure right"] += (sure & (sign * gain > 0)).sum()
    good = results.index[results["peel"] >= 4]
    if len(good):
        wrong = results.copy()
        wrong.loc[good[len(good) // 2], "peel"] -= 2
        odd = fit(made.session, wrong).surprises()
        found = odd[odd["outcome"] == "peel"]["press"].tolist()
        out["slips"] = 1.0
        out["slips found"] = float(results["press"][good[len(good) // 2]] in found)
    grades = fitted.check_grades()
    return out | {
        "grades": 2.0 * len(results),
        "surprises": float(len(fitted.surprises())),
        "counts": float(len(grades)),
        "as predicted": float(grades["as_predicted"].sum()),
    }


def main(benches: int, presses: int) -> None:
    """Print shares per family and in all."""
    rows = []
    for family in FAMILIES:
        for seed in range(benches):
            rows.append({"family": family} | one(family, seed, presses))
    table = pd.DataFrame(rows).groupby("family").sum()
    table.loc["all"] = table.sum()
    shown = pd.DataFrame(
        {
            "failed presses": table["failed"],
            "side named": table["named"] / table["failed"],
            "named right": table["right"] / table["named"],
            "beliefs of 0.9 or more": table["sure"],
            "of these right": table["sure right"] / table["sure"],
            "surprises of 100": 100 * table["surprises"] / table["grades"],
            "slips found": table["slips found"] / table["slips"],
            "counts as predicted": table["as predicted"] / table["counts"],
        }
    )
    print(f"{benches} benches per family, {presses} presses each")
    print(shown.round(3).to_string())


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [15, 26][len(given) :]))
