"""What one slip of the pen does to a window: clean results, wrong grades, a mistyped reading.

Run from the root: ``python -m tests.bench.bench_blunders [benches] [first seed] [kinds]``, kinds a
text such as "clean,wrong grades".  The benches of
``simulated`` (none is the model), 26 presses, at pass rate and confidence 0.90.  Each bench is seen
as it was; with a twentieth of its presses wrong in one grade; with its press temperatures read; and
with one of these mistyped (a slipped decimal, or two digits swapped).  Side by side: a fit that
allows for wrong grades and readings, and one that takes all for right.  All invented.

With ``share`` as the kind: what one session tells of the share of wrong grades, as log evidence at
central scales under other shares less that under the prior's mean, and the share expected.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pandas as pd

from dtfexp import Fit, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.results import check_results
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.infer import at_central_hyperparameters, infer
from dtfexp.maths.inference.site_fitting import fit_sites
from tests.bench.simulated import FACTORS, NAMES, Bench, bench, with_wrong_grades

FAMILIES = ("dose", "smooth", "cliff", "narrow", "saddle")
PRESSES, WRONG = 26, 0.05
# The mean share of wrong grades that the careful fit allows for.
ALLOWED = 0.02
SHARES = (0.002, 0.01, 0.02, 0.04, 0.08)
PRESS = "press temperature"


def a_twentieth_wrong(results: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return results with one grade of a twentieth of the presses any other grade."""
    rows = rng.choice(len(results), max(1, round(WRONG * len(results))), replace=False)
    return with_wrong_grades(results, results.index[rows], rng)


def with_readings(results: pd.DataFrame, rng: np.random.Generator, mistyped: bool) -> pd.DataFrame:
    """Return results with the press temperature read at every press, one of them mistyped."""
    read = (results[PRESS] + rng.uniform(-1.0, 1.0, len(results))).round(1)
    if mistyped:
        row, slip = read.index[rng.integers(len(read))], rng.integers(2)
        digits = f"{read[row]:.1f}"
        # 160.5 as 16.05, or as 106.5.
        swapped = digits[0] + digits[2] + digits[1] + digits[3:]
        read[row] = float(swapped) if slip else read[row] / 10.0
    return results.assign(**{f"{PRESS}_actual": read})


def fitted(truth: Bench, results: pd.DataFrame, careful: bool) -> Fit:
    """Return a fit that allows for wrong grades and readings, or takes everything for right."""
    session = truth.session
    checked, coding = check_results(session, results), Coding(session)
    prior = replace(Prior(), wrong_share=ALLOWED if careful else 0.0)
    if careful:
        data = coding.data(checked)
    else:
        with patch.object(Coding, "is_doubtful", lambda s, f, used: used["press"] < 0):
            data = coding.data(checked)
    return Fit(session, checked, infer(data, coding.shape, coding.graded, prior))


def judged(truth: Bench, found: Fit) -> tuple[float, float, float]:
    """Return the window's volume (spreads to the fourth), its share truly good, the target's rate.

    Zero, and not a number twice, where there is none.
    """
    window = found.window("cotton")
    if not window.found:
        return 0.0, np.nan, np.nan
    low, high = (np.array([float(side[n]) for n in NAMES]) for side in (window.low, window.high))
    volume = float(np.prod((high - low) / [f.spread for f in FACTORS]))
    inside = np.random.default_rng(0).uniform(low, high, (400, 4))
    target = np.array([[float(window.target[n]) for n in NAMES]])
    good = float(np.mean(truth.true_pass(inside) >= 0.9))
    return volume, good, float(truth.true_pass(target)[0])


def share_told(benches: int, first: int) -> None:
    """Print the log evidence of the share of wrong grades, clean and with a twentieth wrong."""
    print("share of wrong grades      ", *(f"{share:6.3f}" for share in SHARES))
    for k in range(benches):
        truth = bench(FAMILIES[k % len(FAMILIES)], first + k)
        coding, rng = Coding(truth.session), np.random.default_rng([9, first + k])
        clean = truth.press(plan(truth.session, PRESSES, seed=first + k).runs, rng)
        wrong = a_twentieth_wrong(clean, np.random.default_rng(k))
        for name, results in (("clean", clean), ("wrong grades", wrong)):
            data = coding.data(check_results(truth.session, results))
            post = at_central_hyperparameters(infer(data, coding.shape, coding.graded, Prior()))
            middle = post.integration_points[0]
            sites = [
                fit_sites(
                    post.data, post.shape, post.prior, post.grade_scales,
                    [replace(middle, wrong_share=share)],
                )
                for share in SHARES
            ]  # fmt: skip
            evidence = np.array([one.log_evidence[0] for one in sites])
            less = evidence - evidence[SHARES.index(ALLOWED)]
            mean = post.integration_points[0].wrong_share
            told = " ".join(f"{x:6.2f}" for x in less)
            print(f"bench {k + 1:3d}, {name:15s}  {told}, expected {mean:.4f}", flush=True)


def main(benches: int, first: int, kinds: tuple[str, ...]) -> None:
    """Print, after each bench, the figures of all so far."""
    seen: dict[tuple[str, bool], list[tuple[float, float, float]]] = {}
    for k in range(benches):
        truth = bench(FAMILIES[k % len(FAMILIES)], first + k)
        rng = np.random.default_rng([9, first + k])
        results = truth.press(plan(truth.session, PRESSES, seed=first + k).runs, rng)
        state = int(rng.integers(1 << 30))
        versions = {
            "clean": results,
            "wrong grades": a_twentieth_wrong(results, np.random.default_rng(state)),
            "readings": with_readings(results, np.random.default_rng(state), False),
            "mistyped": with_readings(results, np.random.default_rng(state), True),
        }
        for kind in kinds:
            for careful in (False, True):
                found = judged(truth, fitted(truth, versions[kind], careful))
                seen.setdefault((kind, careful), []).append(found)
        print(f"after {k + 1} benches:")
        for kind in kinds:
            for careful in (False, True):
                a = np.array(seen[kind, careful])
                some = a[:, 0] > 0
                print(
                    f"  {kind:13s} {'careful ' if careful else 'trusting'}: window "
                    f"{some.mean():.2f}, mean volume {a[:, 0].mean():.0f}, share good "
                    f"{a[some, 1].mean() if some.any() else np.nan:.3f}, targets below .80: "
                    f"{int((a[some, 2] < 0.8).sum())}, lowest "
                    f"{a[some, 2].min() if some.any() else np.nan:.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    given = dict(enumerate(sys.argv))
    if given.get(3) == "share":
        share_told(int(given[1]), int(given[2]))
        sys.exit()
    main(
        int(given.get(1, 20)),
        int(given.get(2, 900)),
        tuple(given.get(3, "clean,wrong grades,readings,mistyped").split(",")),
    )
