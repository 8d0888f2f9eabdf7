"""Normal-normal hierarchies: many groups of unknowns, each known with its own error covariance.

    y_i ~ N(theta_i, C_i),   theta_i ~ N(X_i gamma, S),   gamma ~ N(m, G),   S ~ inverse Wishart

Solved by Gibbs sampling with every step in closed form (Gelman et al., Bayesian Data Analysis,
sections 5.4, 11.6 and 15; from memory); moments are averages of the conditional ones. What a group
did not see has no precision, so groups may know different parts of theta.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

# Sd of a step of the log of a part's factor: about half of the steps are taken.
_STEP = 0.4


@dataclass(frozen=True)
class Groups:
    """n groups of p unknowns.

    ``precision`` (n, p, p): inverse of C_i, singular where parts were not seen; ``information``
    (n, p): precision times y_i; ``designs`` (u, p, q): the different X_i, ``pattern`` (n,): which
    of them is each group's; ``weight`` (n,): how much of a group of its own each is (groups that
    repeat one another share one).
    """

    precision: Array
    information: Array
    designs: Array
    pattern: NDArray[np.int_]
    weight: Array

    @classmethod
    def of(cls, values: Array, covariances: Array) -> Groups:
        """Return groups with estimates (n, p) and covariances (n, p, p), and one mean for all."""
        precision = np.asarray(np.linalg.inv(covariances), dtype=float)
        n, p = values.shape
        told = np.einsum("nij,nj->ni", precision, values)
        return cls(precision, told, np.eye(p)[None], np.zeros(n, dtype=int), np.ones(n))


@dataclass(frozen=True)
class HierarchyPrior:
    """The prior: gamma ~ N(mean (q,), inverse of ``precision`` (q, q)), zero for a flat one.

    S ~ inverse Wishart with ``scale`` (p, p) and ``df``; with df > p + 1 its mean is
    scale / (df - p - 1). One unknown, scale 0 and df -1 is flat in the standard deviation.

    ``parts`` (p,), numbered from 0: unknowns of one part have a factor d in common on their
    standard deviation, ln d ~ N(0, ``part_sd``^2), so that the scale is D scale D. A few groups
    then tell how wide a part lies, where all of S takes many (as in Huang & Wand 2013, Bayesian
    Analysis 8:439; from memory).
    """

    mean: Array
    precision: Array
    scale: Array
    df: float
    parts: Ints | None = None
    part_sd: float = 0.0


@dataclass(frozen=True)
class Hierarchy:
    """The posterior: of gamma, mean (q,) and covariance (q, q); of S, its mean (p, p).

    Factors of its parts are at their geometric mean, as few groups leave them a long tail, and at
    most 1: groups of a few kinds look wider than they lie about any one mean.

    ``effects`` (n, p): means of the groups' theta. Draws (d, q), (d, p, p) and (d, n, p) of all
    three.
    """

    mean: Array
    mean_covariance: Array
    covariance: Array
    effects: Array
    mean_draws: Array
    covariance_draws: Array
    effect_draws: Array


def fit_hierarchy(
    groups: Groups, prior: HierarchyPrior, *, draws: int = 400, burn: int = 100, seed: int = 0
) -> Hierarchy:
    """Return the posterior of a hierarchy, from ``draws`` draws after ``burn`` discarded ones.

    METHODS.md, equation (41).
    """
    rng = np.random.default_rng(seed)
    designs, pattern = groups.designs, groups.pattern
    _, p, q = designs.shape
    # Weight of every design: sums over groups become sums over designs.
    counts = np.zeros((len(designs), len(pattern)))
    counts[pattern, np.arange(len(pattern))] = groups.weight
    df = prior.df + float(groups.weight.sum())
    spread = prior.scale / max(prior.df - p - 1.0, 1.0) + 1e-6 * np.eye(p)
    if not np.any(prior.scale):
        # A flat prior has no size of its own: start from the groups' errors.
        spread = np.linalg.inv(groups.precision.mean(axis=0) + 1e-9 * np.eye(p))
    gamma = prior.mean.copy()
    kept: list[tuple[Any, ...]] = []
    n = len(pattern)
    effects = np.zeros((n, p))
    factors = np.zeros(0 if prior.parts is None else int(prior.parts.max()) + 1)
    for turn in range(burn + draws):
        tight = np.linalg.inv(spread)
        towards = ((designs @ gamma) @ tight)[pattern]
        theta_cov = np.asarray(np.linalg.inv(groups.precision + tight), dtype=float)
        theta_mean = np.einsum("npr,nr->np", theta_cov, groups.information + towards)
        theta = theta_mean + _normal(theta_cov, rng)

        across = np.swapaxes(designs, 1, 2) @ tight
        own = prior.precision + np.tensordot(counts.sum(axis=1), across @ designs, 1)
        gamma_cov = np.asarray(np.linalg.inv(own), dtype=float)
        told = prior.precision @ prior.mean + np.einsum("uqp,up->q", across, counts @ theta)
        gamma_mean = gamma_cov @ told
        gamma = gamma_mean + _normal(gamma_cov[None], rng)[0]

        off = theta - (designs @ gamma)[pattern]
        scattered = np.einsum("n,np,nr->pr", groups.weight, off, off)
        if prior.parts is not None:
            factors = _factors(prior, factors, scattered, df, rng)
        scale = _scaled(prior, factors) + scattered
        spread = _inverse_wishart(scale, df, rng)
        if turn >= burn:
            expected = scale / (df - p - 1.0) if df > p + 1.0 else spread
            each = np.zeros(p) if prior.parts is None else factors[prior.parts]
            expected = expected * np.exp(-np.add.outer(each, each))
            kept.append((gamma_mean, gamma_cov, expected, gamma, spread, theta, each))
            # Of every group only the sum is kept: there may be many.
            effects += theta_mean
    *at, log_each = (np.array(column) for column in zip(*kept, strict=True))
    middle = np.exp(np.minimum(log_each.mean(axis=0), 0.0))
    return Hierarchy(
        at[0].mean(axis=0),
        at[1].mean(axis=0) + np.cov(at[0].T, bias=True).reshape(q, q),
        at[2].mean(axis=0) * np.outer(middle, middle),
        effects / draws,
        *at[3:],
    )


def _scaled(prior: HierarchyPrior, log_factors: Array) -> Array:
    """Return the prior's scale (..., p, p) under log factors (..., parts)."""
    if prior.parts is None:
        return prior.scale
    each = np.exp(log_factors)[..., prior.parts]
    return np.asarray(prior.scale * each[..., :, None] * each[..., None, :])


def _factors(
    prior: HierarchyPrior, log_factors: Array, scattered: Array, df: float, rng: np.random.Generator
) -> Array:
    """Return log factors (parts,) after a Metropolis step of each, S integrated out."""

    def log_density(at: Array) -> float:
        scale = _scaled(prior, at)
        sizes = np.linalg.slogdet(np.array([scale, scale + scattered]))[1]
        away = np.sum((at / prior.part_sd) ** 2)
        return float(0.5 * (prior.df * sizes[0] - df * sizes[1] - away))

    here = log_density(log_factors)
    for part in range(len(log_factors)):
        tried = log_factors.copy()
        tried[part] += _STEP * rng.standard_normal()
        there = log_density(tried)
        if np.log(rng.random()) < there - here:
            log_factors, here = tried, there
    return log_factors


def _normal(covariance: Array, rng: np.random.Generator) -> Array:
    """Return one draw (n, p) from zero-mean normals with covariances (n, p, p)."""
    symmetric = 0.5 * (covariance + np.swapaxes(covariance, 1, 2))
    root = np.linalg.cholesky(symmetric)
    return np.asarray(np.einsum("npr,nr->np", root, rng.standard_normal(covariance.shape[:2])))


def _inverse_wishart(scale: Array, df: float, rng: np.random.Generator) -> Array:
    """Return one draw (p, p), by Bartlett's decomposition (Bartlett 1933; from memory)."""
    p = len(scale)
    lower = np.tril(rng.standard_normal((p, p)), -1)
    lower[np.arange(p), np.arange(p)] = np.sqrt(rng.chisquare(df - np.arange(p)))
    # With scale = R R' the draw is (R A'^-1)(R A'^-1)'.
    half = np.linalg.solve(lower, np.linalg.cholesky(scale).T).T
    return np.asarray(half @ half.T)
