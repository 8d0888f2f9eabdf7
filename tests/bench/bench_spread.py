"""Pass rates with machine spread against the mean over what the machines do, place by place.

A pass rate at a set-point is worked out in one go from the field and from how the spread moves it.
Here the same fits are asked, without any spread, at many places around each set-point, and those
answers are averaged; with an even spread, and with a platen of one cold corner.  Half of the
set-points are among the best, half anywhere.

Run from the root: ``python -m tests.bench.bench_spread [benches per family]``.  All invented.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from scipy.stats import qmc

from dtfexp import Session, fit, plan
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.pass_probability import pass_posterior
from tests.bench.simulated import FACTORS, FAMILIES, NAMES, bench

AROUND, EACH = 128, 60
COLD_CORNER = (1.2,) * 6 + (-1.0, -2.2, -4.0)


def around(spots: tuple[float, ...]) -> np.ndarray:
    """Distances (AROUND, 4) from a set-point; ``spots`` of the press temperature, if any."""
    unit = qmc.Sobol(len(FACTORS), seed=0).random(AROUND)
    out = (2.0 * unit - 1.0) * np.array([f.spread for f in FACTORS])
    if spots:
        out[:, 2] = np.array(spots)[(unit[:, 2] * len(spots)).astype(int)]
    return out


def errors(family: str, seed: int, spots: tuple[float, ...]) -> np.ndarray:
    """Stated less averaged pass rate (2 * EACH,) on one bench with 26 presses."""
    truth = bench(family, seed)
    rng = np.random.default_rng(seed)
    results = truth.press(plan(truth.session, 26, seed=seed).runs, rng)
    factors = [replace(f, spots=spots) if f.name == NAMES[2] else f for f in FACTORS]
    session = Session("spread", factors, truth.session.outcomes, truth.session.fabrics)
    fitted = fit(session, results)
    low, high = (np.array([getattr(f, end) for f in FACTORS]) for end in ("low", "high"))
    x = rng.uniform(low, high, (4000, 4))
    stated = fitted.pass_rate(pd.DataFrame(x, columns=list(NAMES)), "cotton")["pass_rate"]
    best = np.argsort(-stated.to_numpy())[: 10 * EACH]
    rows = np.concatenate([rng.choice(best, EACH), rng.choice(len(x), EACH)])
    places = (x[rows][:, None, :] + around(spots)).reshape(-1, 4)
    frame = pd.DataFrame(places, columns=list(NAMES))
    at = fitted.coding.points(frame, np.zeros(len(frame), dtype=int), spread=False)
    each = pass_posterior(fitted.posterior, predict(fitted.posterior, at)).expected()
    return stated.to_numpy()[rows] - each.reshape(len(rows), -1).mean(axis=1)


def main(each: int) -> None:
    for name, spots in (("even spread", ()), ("a cold corner", COLD_CORNER)):
        found = np.array([errors(f, s, spots) for f in FAMILIES[:5] for s in range(1, each + 1)])
        for where, part in (("best", found[:, :EACH]), ("anywhere", found[:, EACH:])):
            print(
                f"{name}, {where}: mean {part.mean():+.4f}, root mean square "
                f"{np.sqrt((part**2).mean()):.4f}, largest {np.abs(part).max():.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4)
