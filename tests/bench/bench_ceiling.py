"""What somebody could know who knew the whole population of benches: a bound on experience.

Of a population of ``bench_experience`` many benches are drawn.  They are the prior: the likelihood
of a new bench's grades is worked out exactly for each of them (their luck and noise known), and the
target is the set-point that is good on most of them, weighted so.  No fit that learns from earlier
books can be expected to do better with the same presses.  With few drawn benches the weights rest
on few of them, so the hit rate is a little low and the stated one a little high: the bound lies in
between.

Printed by population: share of benches with a good set-point at all; share whose target is good (at
.90, or within .03 of the best) for one fixed set-point, and after presses at a plan of four around
today's settings, at four corners around the fixed set-point, and at eight; stated in brackets.

Run by name:  python -m tests.bench.bench_ceiling --population kind,hard --drawn 1500 --benches 150
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.special import ndtr, softmax
from scipy.stats import qmc

from dtfexp import plan
from tests.bench.bench_experience import bench_of
from tests.bench.bench_promise import NEAR, REQUIRED
from tests.bench.simulated import _GH, _GW, _WOBBLE, FACTORS, NAMES, Bench

LOW, HIGH = (np.array([getattr(f, end) for f in FACTORS], dtype=float) for end in ("low", "high"))
SPREAD = np.array([f.spread for f in FACTORS])
CUTS = np.array([-np.inf, 1.5, 2.5, 3.5, 4.5, np.inf])
#: Corners around the fixed set-point in half-ranges, and places farther out on one stage.
RING = 0.35 * np.array([[1, 1, 1, -1], [-1, 1, -1, -1], [1, -1, -1, -1], [-1, -1, 1, 1]])
STAR = np.array([[0, 0, 0, 0], [0.5, 0.3, 0, 0], [0, 0, 0.4, 0.4], [-0.4, -0.3, -0.4, -0.4]])
#: Of grades, as the fit takes it.
WRONG = 0.02


def log_likelihood(truth: Bench, at: np.ndarray) -> np.ndarray:
    """Log chance (n, 5, 5) of each pair of grades of a press at settings (n, 4)."""
    luck, out = np.hypot(truth.load_sd, truth.round_sd), np.zeros((len(at), 5, 5))
    for wobble in _WOBBLE[::2]:
        quality = truth.quality["cotton"](at + SPREAD * wobble)
        for node, weight in zip(_GH, _GW, strict=True):
            below = ndtr((CUTS - (quality + luck * node)[:, :, None]) / truth.noise)
            each = np.diff(below, axis=2)
            out += 2.0 * weight / len(_WOBBLE) * each[:, 0, :, None] * each[:, 1, None, :]
    return np.log((1.0 - WRONG) * out + WRONG / 25)


def grades(truth: Bench, at: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Grades (n, 2) from 0 of presses at settings (n, 4), each with luck of its own."""
    quality = truth.quality["cotton"](at + SPREAD * rng.uniform(-1, 1, at.shape))
    quality += rng.normal(0, np.hypot(truth.load_sd, truth.round_sd), (len(at), 1))
    seen = quality + rng.normal(0, truth.noise, quality.shape)
    return np.clip(np.round(seen), 1, 5).astype(int) - 1


def bound(population: str, drawn: int, benches: int) -> None:
    rng = np.random.default_rng(0)
    known = [bench_of(population, seed) for seed in range(10_000, 10_000 + drawn)]
    new = [bench_of(population, seed) for seed in range(benches)]
    wide = LOW + (HIGH - LOW) * qmc.Sobol(4, scramble=True, seed=1).random(2048)
    often = np.mean([truth.true_pass(wide) >= REQUIRED for truth in known[:300]], axis=0)
    top = wide[np.argsort(-often)[:30]]
    near = top[rng.integers(30, size=2000)] + rng.normal(0, 0.12, (2000, 4)) * (HIGH - LOW)
    at = np.vstack([wide[::2], np.clip(near, LOW, HIGH)])
    rates = [np.array([truth.true_pass(at) for truth in some]) for some in (known, new)]
    good, truly = (r >= np.minimum(REQUIRED, r.max(axis=1, keepdims=True) - NEAR) for r in rates)
    reachable = np.mean(rates[1].max(axis=1) >= REQUIRED)
    fixed, half = int(good.mean(axis=0).argmax()), 0.5 * (HIGH - LOW)
    print(
        f"{population}: good somewhere {reachable:.2f} | fixed {truly[:, fixed].mean():.2f}", end=""
    )
    ring, star = (np.clip(at[fixed] + half * codes, LOW, HIGH) for codes in (RING, STAR))
    plain = plan(new[0].session, 4, seed=0).runs[list(NAMES)].to_numpy(dtype=float)
    designs = {"plan 4": plain, "ring 4": ring, "ring and star 8": np.vstack([ring, star])}
    for name, presses in designs.items():
        each = np.array([log_likelihood(truth, presses) for truth in known])
        hits, stated = [], []
        for k, truth in enumerate(new):
            seen = grades(truth, presses, np.random.default_rng([1, k]))
            log = each[:, np.arange(len(presses)), seen[:, 0], seen[:, 1]].sum(axis=1)
            chance = softmax(log) @ good
            place = int(chance.argmax())
            hits.append(truly[k, place])
            stated.append(chance[place])
        print(f" | {name} {np.mean(hits):.2f} ({np.mean(stated):.2f})", end="")
    print(flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--population", default="kind", help="several with commas")
    parser.add_argument("--drawn", type=int, default=1500, help="benches that are the prior")
    parser.add_argument("--benches", type=int, default=150, help="new benches")
    args = parser.parse_args()
    for population in args.population.split(","):
        bound(population, args.drawn, args.benches)


if __name__ == "__main__":
    main()
