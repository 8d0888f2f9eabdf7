"""Expectation propagation for a Gaussian field met by graded and measured observations.

Parallel updates, many scale settings at once.  Source: Minka 2001, UAI; Rasmussen & Williams 2006,
sec. 3.6 (algorithm 3.5) with the stable forms of eq. 3.66-3.70; likelihoods that are log-concave,
as here, keep every site precision positive (Seeger 2005, technical report, EP for exponential
families).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtrtri

from dtfexp.maths.ceiling import capped_moments
from dtfexp.maths.ordinal import interval_moments

Array = NDArray[np.float64]

# The least precision of a site: variances are divided by it, and less says nothing anyway.
_LEAST = 1e-8


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
    """

    precision: Array
    shift: Array
    log_evidence: Array
    root: Array
    weights: Array
    mean: Array
    variance: Array


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
    for _ in range(sweeps):
        _, variance, mean, log_det = _posterior(covariance, precision, shift)
        # Cavity: the marginal with its own site taken out (R&W eq. 3.56).
        cavity_precision = np.maximum(1.0 / variance - precision, 1e-10)
        cavity_variance = 1.0 / cavity_precision
        cavity_mean = cavity_variance * (mean / variance - shift)
        log_z, first, second = _tilted(
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
        settled = np.all(np.abs(evidence - previous) < tolerance)
        if settled and np.all(np.abs(mean - last_mean) < 10.0 * tolerance):
            break
        previous, last_mean = evidence, mean
        # Moment matching (R&W eq. 3.59): the new site makes the marginal equal the tilted one.
        bend = np.minimum(-second, 0.999999 / cavity_variance)
        new_precision = np.maximum(bend / (1.0 - bend * cavity_variance), _LEAST)
        new_shift = new_precision * cavity_mean + first * (1.0 + new_precision * cavity_variance)
        precision = np.where(measured, precision, precision + damping * (new_precision - precision))
        shift = np.where(measured, shift, shift + damping * (new_shift - shift))
    root, variance, mean, _ = _posterior(covariance, precision, shift)
    k_shift = np.einsum("jab,jb->ja", covariance, shift)
    weights = shift - np.einsum("jab,jb->ja", root, np.einsum("jab,ja->jb", root, k_shift))
    return Sites(precision, shift, evidence, root, weights, mean + prior_mean, variance)


def _tilted(
    mean: Array,
    variance: Array,
    lower: Array,
    upper: Array,
    noise: Array,
    prior_mean: Array,
    ceiling: Array | None,
) -> tuple[Array, Array, Array]:
    """log Z and its two derivatives (J, N): exact where nothing bends the field, by quadrature
    under a ceiling.  Fields and ends are relative to the prior mean."""
    relative = mean, variance, lower, upper, noise
    if ceiling is None:
        return interval_moments(*relative)
    absolute = mean + prior_mean, variance, lower + prior_mean, upper + prior_mean, noise, ceiling
    bent = np.isfinite(ceiling).any(axis=0)
    if bent.all():
        return capped_moments(*absolute)
    log_z, first, second = (np.empty_like(mean) for _ in range(3))
    for rows, found in (
        (bent, capped_moments(*(x[:, bent] for x in absolute))),
        (~bent, interval_moments(*(x[:, ~bent] for x in relative))),
    ):
        log_z[:, rows], first[:, rows], second[:, rows] = found
    return log_z, first, second


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
