"""Power as a check of a plan tells it, beside simulated sessions analysed by restricted likelihood.

Run by name from the root of the project:  python -m tests.bench.bench_power [--sessions 4000]

For plans that are not balanced the degrees of freedom of a check are those of the strata, which is
close and not exact. Here every setting's own effect is simulated (of the size that the check says
is seen 8 times in 10, and of none), the variances of loads and rounds are estimated by restricted
likelihood over a fixed grid, and an effect counts as seen when its t is beyond the 5 % limit of the
check's degrees of freedom. Printed: the share seen, which should be near 0.80, and the share of
false alarms, which should be near 0.05. With one degree of freedom the limit is so far out that
this analysis, which lends the noise of presses to the rounds, sees less than the check says.
"""

from __future__ import annotations

import argparse
from itertools import product

import numpy as np
from scipy.stats import t as t_distribution

from dtfexp import plan
from dtfexp.dialin.evaluate.plan_check import PlanCheck
from tests.dialin.bench import FOUR

GRID = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6)


def tests_of(check: PlanCheck, y: np.ndarray, column: int) -> np.ndarray:
    """t of one fitted column for sessions y (n, sessions)."""
    x, n = check.x, check.presses
    same = [
        (codes[:, None] == codes[None, :]).astype(float)
        for codes in (check.runs["oven_load"].to_numpy(), check.runs["press_round"].to_numpy())
    ]
    likelihood, found = [], []
    for load, round_ in product(GRID, GRID):
        v = np.linalg.inv(np.eye(n) + load * same[0] + round_ * same[1])
        covariance = np.linalg.inv(x.T @ v @ x)
        estimate = covariance @ x.T @ v @ y
        rest = y - x @ estimate
        noise = np.sum(rest * (v @ rest), axis=0) / (n - x.shape[1])
        likelihood.append(
            0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(covariance)[1])
            - 0.5 * (n - x.shape[1]) * np.log(noise)
        )
        found.append(estimate[column] / np.sqrt(noise * covariance[column, column]))
    best = np.argmax(likelihood, axis=0)
    return np.asarray(np.array(found)[best, np.arange(y.shape[1])])


def seen(check: PlanCheck, sessions: int, seed: int = 0) -> None:
    """Print, for every own effect, the share seen and the share of false alarms."""
    rng = np.random.default_rng(seed)
    taken = check.assumed
    groups = [check.runs[c].to_numpy() - 1 for c in ("oven_load", "press_round")]
    for row in check.terms.query("kind == 'own' and fitted").to_dict("records"):
        if not np.isfinite(row["smallest"]):
            continue
        key = next(k for k in check.effects.terms.columns if check.effects.name(k) == row["term"])
        column = check.fitted.index(check.effects.terms.columns[key][0])
        y = taken.noise * rng.standard_normal((check.presses, sessions))
        for codes, luck in zip(groups, (taken.load_luck, taken.round_luck), strict=True):
            y += luck * rng.standard_normal((codes.max() + 1, sessions))[codes]
        limit = t_distribution.isf(0.025, row["df"])
        false = np.mean(np.abs(tests_of(check, y, column)) > limit)
        y += 0.5 * row["smallest"] * check.x[:, [column]]
        true = np.mean(np.abs(tests_of(check, y, column)) > limit)
        print(f"  {row['term']:18s} df {row['df']:3.0f}  {row['smallest']:.2f} grades  "
              f"seen {true:.3f}  false {false:.3f}")  # fmt: skip


def main() -> None:
    """See the head of this file."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--sessions", type=int, default=4000)
    sessions = asked.parse_args().sessions
    for design, presses in (("i-optimal", 26), ("central composite", 30), ("auto", 14)):
        made = plan(FOUR, presses, design=design)
        check = made.check()
        print(f"{design}, {presses} presses, {made.runs['oven_load'].nunique()} loads, "
              f"{made.runs['press_round'].nunique()} rounds, model {check.model}")  # fmt: skip
        seen(check, sessions)


if __name__ == "__main__":
    main()
