"""Expectation propagation for a Gaussian field met by graded and measured observations.

Parallel updates, many scale settings at once.  Source: Minka 2001, UAI; Rasmussen & Williams 2006,
sec. 3.6 (algorithm 3.5) with the stable forms of eq. 3.66-3.70.  A likelihood that is log-concave
keeps every site precision positive (Seeger 2005, technical report, EP for exponential families).
That holds without a ceiling only: under one, a grade may leave a wider belief than it met.  Such a
site is held at no information; its mean is still matched.  Updates are damped, the more the longer
they take to settle, and every fit says whether it settled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtrtri

from dtfexp.maths.field.ceiling import capped_moments
from dtfexp.maths.inference.ordinal import interval_moments

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

# The least precision of a site: variances are divided by it, and less says nothing anyway.
_LEAST = 1e-8
# From this sweep on every further one moves by a little less: sites that swing come to rest.
_CALM_FROM, _CALMER = 20, 0.93


@dataclass(frozen=True)
class Observations:
    """What was seen, in grade units above the acceptance cut.

    lower, upper (N,): the interval a grade stands for (infinite at the ends of a scale);
    value (N,): a measured outcome's value, NaN where the row is a grade.
    """

    lower: Array
    upper: Array
    value: Array


@dataclass(frozen=True)
class Sites:
    """Gaussian stand-ins of the likelihood: precision and shift (J, N), log evidence (J,).

    ``root`` (J, N, N) is R with R R' = S^1/2 (I + S^1/2 K S^1/2)^-1 S^1/2, which every prediction
    needs: variance(x) = k(x, x) - |k(x) @ R|^2 (R&W eq. 3.61);
    ``weights`` (J, N) are the prediction weights: mean(x) = m(x) + k(x) @ weights.
    converged (J,): whether evidence and means stood still at the end; resolved (J,): whether every
    integral under the ceiling was inside the range its nodes are made for.
    """

    precision: Array
    shift: Array
    log_evidence: Array
    root: Array
    weights: Array
    mean: Array
    variance: Array
    converged: Bools
    resolved: Bools


def propagate(
    covariance: Array,
    prior_mean: Array,
    noise: Array,
    seen: Observations,
    *,
    ceiling: Array | None = None,
    start: tuple[Array, Array] | None = None,
    sweeps: int = 40,
    tolerance: float = 1e-4,
    damping: float = 0.85,
) -> Sites:
    """Fit site parameters for J scale settings at once.

    covariance (J, N, N), prior_mean (J, N), noise sd (J, N), ceiling (J, N) of quality (none:
    grades read the field itself).  Latent values are worked with relative to the prior mean.
    Works with N = 0.
    """
    n_sets = prior_mean.shape[0]
    lower = seen.lower - prior_mean
    upper = seen.upper - prior_mean
    measured = np.isfinite(seen.value)
    value = np.where(measured, np.nan_to_num(seen.value) - prior_mean, 0.0)
    lower = np.where(measured, -np.inf, lower)
    upper = np.where(measured, np.inf, upper)
    precision, shift = start if start is not None else _first_sites(lower, upper, noise, measured)
    precision = np.where(measured, 1.0 / noise**2, precision)
    shift = np.where(measured, value / noise**2, shift)
    previous = np.full(n_sets, -np.inf)
    evidence = np.zeros(n_sets)
    last_mean = np.full(prior_mean.shape, np.inf)
    converged, resolved = np.zeros(n_sets, dtype=bool), np.ones(n_sets, dtype=bool)
    for sweep in range(sweeps):
        _, variance, mean, log_det = _posterior(covariance, precision, shift)
        # Cavity: the marginal with its own site taken out (R&W eq. 3.56).
        cavity_precision = np.maximum(1.0 / variance - precision, 1e-10)
        cavity_variance = 1.0 / cavity_precision
        cavity_mean = cavity_variance * (mean / variance - shift)
        log_z, first, second, resolved = _tilted(
            cavity_mean, cavity_variance, lower, upper, noise, prior_mean, ceiling
        )
        gaussian = -0.5 * (
            (value - cavity_mean) ** 2 / (noise**2 + cavity_variance)
            + np.log(2 * np.pi * (noise**2 + cavity_variance))
        )
        log_z = np.where(measured, gaussian, log_z)
        evidence = _log_evidence(
            log_z, precision, shift, cavity_mean, cavity_variance, mean, log_det
        )
        # The evidence alone may stand still while sites still move (one observation: always).
        gap = np.abs(mean - last_mean).max(axis=1, initial=0.0)
        converged = (np.abs(evidence - previous) < tolerance) & (gap < 10.0 * tolerance)
        if converged.all():
            break
        previous, last_mean = evidence, mean
        # Moment matching (R&W eq. 3.59): the new site makes the marginal equal the tilted one.
        bend = np.minimum(-second, 0.999999 / cavity_variance)
        new_precision = np.maximum(bend / (1.0 - bend * cavity_variance), _LEAST)
        new_shift = new_precision * cavity_mean + first * (1.0 + new_precision * cavity_variance)
        step = damping * _CALMER ** max(0, sweep - _CALM_FROM)
        precision = np.where(measured, precision, precision + step * (new_precision - precision))
        shift = np.where(measured, shift, shift + step * (new_shift - shift))
    root, variance, mean, _ = _posterior(covariance, precision, shift)
    k_shift = np.einsum("jab,jb->ja", covariance, shift)
    weights = shift - np.einsum("jab,jb->ja", root, np.einsum("jab,ja->jb", root, k_shift))
    mean = mean + prior_mean
    return Sites(precision, shift, evidence, root, weights, mean, variance, converged, resolved)


def _tilted(
    mean: Array,
    variance: Array,
    lower: Array,
    upper: Array,
    noise: Array,
    prior_mean: Array,
    ceiling: Array | None,
) -> tuple[Array, Array, Array, Bools]:
    """log Z and its two derivatives (J, N): exact where nothing bends the field, by quadrature
    under a ceiling; and whether the quadrature was in range (J,).  Fields and ends are relative to
    the prior mean."""
    in_range = np.ones(len(mean), dtype=bool)
    relative = mean, variance, lower, upper, noise
    if ceiling is None:
        return *interval_moments(*relative), in_range
    absolute = mean + prior_mean, variance, lower + prior_mean, upper + prior_mean, noise, ceiling
    bent = np.isfinite(ceiling).any(axis=0)
    log_z, first, second = (np.empty_like(mean) for _ in range(3))
    if not bent.all():
        exact = interval_moments(*(x[:, ~bent] for x in relative))
        log_z[:, ~bent], first[:, ~bent], second[:, ~bent] = exact
    # Grades at an end of their scale apart: they take half the time.
    low, high = np.isneginf(lower).all(axis=0), np.isposinf(upper).all(axis=0)
    for rows in (bent & low, bent & high & ~low, bent & ~high & ~low):
        if rows.any():
            *found, fine = capped_moments(*(x[:, rows] for x in absolute))
            log_z[:, rows], first[:, rows], second[:, rows] = found
            in_range &= fine.all(axis=1)
    return log_z, first, second, in_range


def _first_sites(
    lower: Array, upper: Array, noise: Array, measured: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """A start near the answer: each grade as a Gaussian at the middle of its interval."""
    low = np.where(np.isfinite(lower), lower, upper - 1.0)
    high = np.where(np.isfinite(upper), upper, low + 1.0)
    middle = np.where(measured, 0.0, 0.5 * (low + high))
    middle = np.where(np.isfinite(middle), middle, 0.0)
    precision = 0.3 / (noise**2 + 0.3)
    return precision, precision * middle


def _posterior(
    covariance: Array, precision: Array, shift: Array
) -> tuple[Array, Array, Array, Array]:
    """(R, marginal variance, marginal mean, log|I + S^1/2 K S^1/2|) from the sites.

    With B = I + S^1/2 K S^1/2 the marginal variances are the diagonal of S^-1 - S^-1/2 B^-1 S^-1/2
    (the same as R&W eq. 3.66 by the matrix inversion lemma): one triangular inverse, and no product
    of large matrices.
    """
    half = np.sqrt(precision)
    n = half.shape[1]
    b = half[:, :, None] * covariance * half[:, None, :]
    index = np.arange(n)
    b[:, index, index] += 1.0
    chol = np.linalg.cholesky(b)
    log_det = 2.0 * np.log(chol[:, index, index]).sum(axis=1)
    for one in chol if n else ():
        # In place: the transpose of L is an upper triangle as LAPACK stores it.
        dtrtri(one.T, lower=0, overwrite_c=1)
    share = np.einsum("jab,jab->jb", chol, chol)
    variance = (1.0 - share) / precision
    root = half[:, :, None] * np.swapaxes(chol, 1, 2)
    k_shift = np.einsum("jab,jb->ja", covariance, shift)
    known = np.einsum("jab,jb->ja", root, np.einsum("jab,ja->jb", root, k_shift))
    mean = k_shift - np.einsum("jab,jb->ja", covariance, known)
    return root, np.maximum(variance, 1e-10), mean, log_det


def _log_evidence(
    log_z: Array,
    precision: Array,
    shift: Array,
    cavity_mean: Array,
    cavity_variance: Array,
    mean: Array,
    log_det: Array,
) -> Array:
    """log of the normalising constant, EP's estimate of the evidence, (J,).

    Site constant: log Z_i less the log integral of cavity times an unnormalised Gaussian site.
    """
    stretch = 1.0 + precision * cavity_variance
    overlap = (
        shift**2 * cavity_variance + 2.0 * shift * cavity_mean - precision * cavity_mean**2
    ) / (2.0 * stretch)
    constants = log_z + 0.5 * np.log(stretch) - overlap
    return np.asarray(constants.sum(axis=1) - 0.5 * log_det + 0.5 * (shift * mean).sum(axis=1))
