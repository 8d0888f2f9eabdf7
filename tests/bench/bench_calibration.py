"""Are stated pass rates and their bounds honest?  On the model's own benches, and on others.

Run from the root: ``python -m tests.bench.bench_calibration [sessions] [benches per family]``.
First, simulation-based calibration (Cook, Gelman & Rubin 2006, J. Comput. Graph. Stat. 15:675;
Talts et al. 2018, arXiv 1804.06788; both from memory): a truth drawn from the prior, presses
graded by it, and where the true pass rate falls in its posterior; that place must be uniform.
Then the benches of ``simulated``, none of which is the model.  All invented.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from scipy.special import ndtr
from scipy.stats import chisquare

from dtfexp import fit, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.maths.field import batch_effects, ceiling, field
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.hyperparameters import n_dimensions, to_hyperparameters
from dtfexp.maths.inference.infer import infer
from dtfexp.maths.inference.observations import GradeScale
from dtfexp.maths.inference.posterior import ceilings
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.inference.site_fitting import data_batch_covariance, data_covariance
from dtfexp.maths.prediction.pass_probability import all_pass_probability, pass_posterior, probit
from tests.bench.simulated import FACTORS, FAMILIES, NAMES, bench, session

PRESSES, BINS, POINTS = 26, 10, 8
CUTS = np.array([-2.0, -1.0, 0.0, 1.0])


def place_of_truth(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Posterior probability below the true pass rate, and stated less true, (POINTS,) each."""
    rng = np.random.default_rng(seed)
    bench_session, prior = session(), Prior()
    runs = plan(bench_session, PRESSES, seed=seed).runs
    coding = Coding(bench_session)
    shape, graded = coding.shape, (GradeScale(CUTS, estimate_steps=False),) * 2
    scales = to_hyperparameters(rng.normal(size=n_dimensions(2)), 2)
    wanted = Points(rng.uniform(-1, 1, (POINTS, 4, 1)), np.ones(1), np.zeros(POINTS, dtype=int))
    blank = runs.assign(peel=4, wash=4)
    data = coding.data(blank)
    # The field at the presses and at the wanted points, of one joint draw.
    both = Points(
        np.concatenate([data.at.nodes, np.repeat(wanted.nodes, 2, axis=0)]),
        np.ones(1),
        np.zeros(data.n + 2 * POINTS, dtype=int),
    )
    outcome = np.concatenate([data.outcome, np.tile([0, 1], POINTS)])
    alike = field.outcome_correlation(shape, scales.outcome_correlation, prior)
    joint = field.covariance(both, both, shape, scales, prior) * alike[np.ix_(outcome, outcome)]
    joint[: data.n, : data.n] = data_covariance(data, shape, scales, prior)
    joint += 1e-7 * np.eye(len(joint))
    draw = field.prior_mean(both, shape, scales, prior)
    draw = draw + np.linalg.cholesky(joint) @ rng.normal(size=len(joint))
    top = ceilings(graded, scales)
    luck = data_batch_covariance(data, scales, prior) + 1e-9 * np.eye(data.n)
    quality = ceiling.quality(draw[: data.n], top[data.outcome])
    quality += np.linalg.cholesky(luck) @ rng.normal(size=data.n)
    quality += scales.noise[data.outcome] * rng.normal(size=data.n)
    seen = replace(data, grade=np.searchsorted(CUTS, quality))
    shared, own = batch_effects.new_press_variance(scales, prior, False)
    wanted_quality = ceiling.quality(draw[data.n :].reshape(POINTS, 2), top)
    true = all_pass_probability(wanted_quality, np.sqrt([shared, shared]), own)
    post = infer(seen, shape, graded, prior)
    passing = pass_posterior(post, predict(post, wanted))
    # A hopeless setting passes never, in truth and in the posterior alike: its place among equals
    # is drawn.
    at, tie = probit(true), 1e-3
    above = passing.weight @ ndtr((at + tie - passing.mean) / passing.sd)
    lower = passing.weight @ ndtr((at - tie - passing.mean) / passing.sd)
    lower = np.where(at <= probit(np.zeros(1)), 0.0, lower)
    below = lower + rng.random(POINTS) * (above - lower)
    return below, passing.expected() - true


def own_benches(sessions: int) -> None:
    """Rank histogram, chi-square and coverage over sessions drawn from the prior."""
    found = [place_of_truth(seed) for seed in range(sessions)]
    place, gap = np.array([f[0] for f in found]), np.array([f[1] for f in found])
    # One point of each session: points of one session are not independent of each other.
    histogram = np.histogram(place[:, 0], BINS, (0.0, 1.0))[0]
    test = chisquare(histogram)
    print(f"the model's own benches: {sessions} sessions of {PRESSES} presses, {POINTS} points")
    print(f"  histogram of one point a session: {histogram.tolist()}, flat: p = {test.pvalue:.3f}")
    print(f"  histogram of all points: {np.histogram(place, BINS, (0.0, 1.0))[0].tolist()}")
    inside = (place > 0.05) & (place < 0.95)
    error = inside.mean(axis=1).std() / np.sqrt(sessions)
    print(f"  90 % bounds hold the truth: {inside.mean():.3f} (+- {error:.3f})")
    error = gap.mean(axis=1).std() / np.sqrt(sessions)
    print(f"  stated less true pass rate: {gap.mean():+.3f} (+- {error:.3f})", flush=True)


def other_benches(each: int) -> None:
    """Stated less true pass rate and coverage at random settings of every family."""
    gaps, held, held_between = [], [], []
    for family in FAMILIES:
        gap, inside = [], []
        for seed in range(each):
            truth = bench(family, seed)
            rng = np.random.default_rng(seed)
            results = truth.press(plan(truth.session, PRESSES, seed=seed).runs, rng)
            low = np.array([f.low for f in FACTORS])
            high = np.array([f.high for f in FACTORS])
            x = rng.uniform(low, high, (200, 4))
            frame = results.iloc[[0] * 200][list(NAMES)].reset_index(drop=True).astype(float)
            frame[list(NAMES)] = x
            stated = fit(truth.session, results).pass_rate(frame, "cotton")
            true = truth.true_pass(x)
            gap.append((stated["pass_rate"].to_numpy() - true).mean())
            # The truth may round to 0: what a shop can see is a whole percent.
            holds = (true >= stated["low"] - 0.005) & (true <= stated["high"] + 0.005)
            inside.append(np.mean(holds))
            # Far out all is known; where it is not, bounds are harder to keep.
            between = (true > 0.01) & (true < 0.99)
            held_between += [np.mean(holds[between])] if between.any() else []
        print(
            f"  {family}: stated less true {np.mean(gap):+.3f}, "
            f"90 % bounds hold {np.mean(inside):.3f}",
            flush=True,
        )
        gaps += gap
        held += inside
    error = np.std(gaps) / np.sqrt(len(gaps))
    print(f"other benches, all: stated less true {np.mean(gaps):+.3f} (+- {error:.3f}), "
          f"90 % bounds hold {np.mean(held):.3f}, of settings that truly pass 1 to 99 % of the "
          f"time {np.mean(held_between):.3f}")  # fmt: skip


if __name__ == "__main__":
    own_benches(int(sys.argv[1]) if len(sys.argv) > 1 else 120)
    other_benches(max(1, int(sys.argv[2])) if len(sys.argv) > 2 else 10)
