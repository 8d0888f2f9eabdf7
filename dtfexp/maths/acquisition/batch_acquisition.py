"""The expected value of presses before they are made.

For every set-point that may belong to the window, the margin of its pass rate over the required one
is Gaussian. Further presses reduce its variance by an amount that does not depend on their grades,
so the probability that the set-point will then be *confirmed* good has a closed form, and so has
the probability that it will stand in the window. Presses are chosen one by one to maximise the sum
of these over the cells.

Sources: the level-set view of Gotovos et al. 2013, IJCAI; the look-ahead to a future posterior as
in Chevalier et al. 2014, Technometrics 56:455 (batch-sequential inversion); the information of a
grade is Fisher's, averaged over the posterior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from dtfexp.maths.acquisition import probit_margin
from dtfexp.maths.field import field
from dtfexp.maths.field.ceiling import quality, quality_slope
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.single_thread import single_threaded
from dtfexp.maths.prediction.pass_probability import steepness

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

_NODES, _WEIGHTS = hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()

# Share of the distance from the acceptance cut down to a grade that counts as noise; chosen on
# simulated benches (``tests/bench``), no published source.
BAD_GRADE_NOISE = 1.5
# Share of a measurement's information that any grade is taken to have: keeps numbers finite.
_LEAST_TOLD = 1e-3


# Floor of a variance: keeps quotients finite.
_SMALL_VARIANCE = 1e-10


@dataclass(frozen=True)
class Candidates:
    """Possible presses: their points, and codes of the load and round of each.

    ``load``, ``round_`` (C,): equal codes share a batch effect (of a NEW load or round); ``spread``
    (C, d): sd, in codes, of the machine around each setting (None: exact).
    """

    at: Points
    load: Ints
    round_: Ints
    spread: Array | None = None


class BatchAcquisition:
    """The state of a batch being chosen.

    Cells (E): ``weight`` (E,), their importance; candidates (C) with O outcomes each.  ``cov`` and
    ``cross`` are as before the batch; what its presses took from them are products of ``told``
    (C*O, K) and ``told_cells`` (E, K), because few of these covariances are ever asked for.
    METHODS.md, equation (28).
    """

    @single_threaded
    def __init__(
        self,
        post: Posterior,
        cells: Points,
        candidates: Candidates,
        weight: Array,
        confidence: float | Array,
        now: tuple[Array, Array],
        predictive: Array | None = None,
    ) -> None:
        """Prepare the covariances between cells and candidates.

        ``confidence``: required of every cell, or of each (E,); ``now``: mean (E,) of the margins
        over the required rate (probit scale), and their variance (E,) between hyperparameters,
        which a few presses do not reduce; ``predictive`` (E,): probit of that rate where a cell is
        worth the probability to meet it, NaN (None: everywhere) where it is worth the
        probability to be confirmed.
        """
        if len(post.integration_points) != 1:
            raise ValueError("post: got several integration points; accepted is one")
        self.n_outcomes = post.shape.n_outcomes
        self.weight = weight
        self.z = np.broadcast_to(ndtri(confidence), weight.shape)
        self.required = np.full(weight.shape, np.nan) if predictive is None else predictive
        slope, cell_links = probit_margin.slopes(post, cells)
        self.margin, self.stays = now
        cov, cross, mean = _covariances(post, cells, candidates, slope, cell_links)
        self.cross = cross
        own = np.einsum(
            "ea,ea->e",
            slope,
            np.einsum("eab,eb->ea", _cell_covariance(post, cells, cell_links), slope),
        )
        self.sd_now = np.sqrt(_floored(own))
        self.variance = self.sd_now**2
        variance = np.diag(cov).reshape(-1, self.n_outcomes)
        slope_there = _quality_slopes(post, mean, variance)
        # Batch effects lie beside the quality: counted in the field's own units they are the
        # larger, the flatter the top.
        beside = 1.0 / slope_there.ravel()
        self.cov = cov + _batch_covariance(post, candidates) * np.outer(beside, beside)
        # Of one press: noise of each outcome, and what the press does to all of them at once.
        self.noise = _effective_grade_noise(post, mean, variance)[:, :, None] * np.eye(
            self.n_outcomes
        )
        self.noise += post.prior.press_effect_sd**2 / (
            slope_there[:, :, None] * slope_there[:, None, :]
        )
        self.noise += _input_noise_covariance(post, candidates)
        self.told, self.told_cells = np.zeros((len(self.cov), 0)), np.zeros((len(self.variance), 0))

    def confirmation_probability(self, variance: Array) -> Array:
        """Return the probability that a cell is confirmed good once its variance is ``variance``.

        ``variance`` (E, ...) -> the same shape. METHODS.md, equation (28).
        """
        left = _floored(variance)
        least = _along(self.z, left) * np.sqrt(left + _along(self.stays, left))
        return self._probability_above(least, left)

    def window_probability(self, variance: Array) -> Array:
        """Return the probability that a cell meets the predictive rule with that variance left.

        ``variance`` (E, ...) -> the same shape. A cell meets the rule when a new press is expected
        to pass at the required rate, which takes the more margin the larger the variance left.
        METHODS.md, equation (28).
        """
        left = _floored(variance)
        stretch = np.sqrt(1.0 + left + _along(self.stays, left)) - 1.0
        return self._probability_above(_along(self.required, left) * stretch, left)

    def _probability_above(self, least: Array, left: Array) -> Array:
        """Return the probability that a cell's coming mean margin is above ``least``."""
        learnt = np.sqrt(_floored(_along(self.sd_now**2, left) - left))
        return np.asarray(ndtr((_along(self.margin, left) - least) / learnt))

    @property
    def confirmed(self) -> float:
        """Return the weighted expected share of confirmed cells with everything chosen so far.

        METHODS.md, equation (28).
        """
        return float(self.weight @ self.confirmation_probability(self.variance))

    @property
    def value(self) -> float:
        """Return the value of everything chosen so far. METHODS.md, equation (28)."""
        return float(self.weight @ self._worth(self.variance))

    def _worth(self, variance: Array) -> Array:
        open_ = np.isnan(self.required)
        if open_.all():
            return self.confirmation_probability(variance)
        worth = self.window_probability(variance)
        if open_.any():
            worth[open_] = self.confirmation_probability(variance)[open_]
        return worth

    @single_threaded
    def scores(self, candidates: Ints) -> Array:
        """Return ``value`` after adding each candidate, (len(candidates),)."""
        n_out = self.n_outcomes
        index = candidates[:, None] * n_out + np.arange(n_out)
        told = self.told[index]
        block = self.cov[index[:, :, None], index[:, None, :]] - told @ told.swapaxes(1, 2)
        block = block + self.noise[candidates]
        taken = self.told_cells @ self.told[index.ravel()].T
        cross = self.cross[:, index] - taken.reshape(-1, *index.shape)
        solved = np.einsum("eco,cop->ecp", cross, np.linalg.inv(block))
        drop = np.einsum("eco,eco->ec", solved, cross)
        left = self.variance[:, None] - drop
        return np.asarray(self.weight @ self._worth(left))

    @single_threaded
    def add_press(self, candidate: int, outcomes: tuple[int, ...] | None = None) -> None:
        """Add a press to the batch and condition all covariances on it."""
        which = list(range(self.n_outcomes) if outcomes is None else outcomes)
        index = candidate * self.n_outcomes + np.array(which, dtype=int)
        noise = self.noise[candidate][np.ix_(which, which)]
        told = self.told[index]
        towards = self.cross[:, index] - self.told_cells @ told.T
        among = self.cov[:, index] - self.told @ told.T
        root = np.linalg.cholesky(np.linalg.inv(among[index] + noise))
        self.variance = self.variance - ((towards @ root) ** 2).sum(axis=1)
        self.told = np.hstack([self.told, among @ root])
        self.told_cells = np.hstack([self.told_cells, towards @ root])

    def restricted_copy(self, members: Ints) -> BatchAcquisition:
        """Return a copy with some of the candidates, to try a batch on."""
        twin = object.__new__(BatchAcquisition)
        twin.__dict__.update(self.__dict__)
        index = (members[:, None] * self.n_outcomes + np.arange(self.n_outcomes)).ravel()
        twin.cov = self.cov[np.ix_(index, index)]
        twin.cross = self.cross[:, index]
        twin.told = self.told[index]
        twin.noise = self.noise[members]
        return twin


def _floored(variance: Array) -> Array:
    """Return a variance, never quite zero."""
    return np.maximum(variance, _SMALL_VARIANCE)


def _along(values: Array, variance: Array) -> Array:
    """Return (E,) in a shape that meets ``variance`` (E, ...)."""
    return values.reshape(-1, *(1,) * (variance.ndim - 1))


def _cell_covariance(post: Posterior, cells: Points, links: list[Array]) -> Array:
    """Return the posterior covariance (E, O, O) of the cells."""
    own = field.variance(cells, post.shape, post.integration_points[0], post.prior)
    return np.asarray(
        own[:, None, None] * post.outcome_correlation(0) - np.einsum("oen,pen->eop", links, links)
    )


def _covariances(
    post: Posterior, cells: Points, candidates: Candidates, slope: Array, cell_links: list[Array]
) -> tuple[Array, Array, Array]:
    """Return the fields' covariances (C*O, C*O), (E, C*O) with cells, and means (C, O)."""
    scales, shape, prior = post.integration_points[0], post.shape, post.prior
    n_out, count = shape.n_outcomes, candidates.at.n
    alike = post.outcome_correlation(0)
    base = field.covariance(candidates.at, post.data.design_points.at, shape, scales, prior)
    mean = field.outcome_means(candidates.at, shape, scales, prior) + base @ post.weights_by_point(
        0
    )
    links = post.whitened_cross_by_point(base, 0)
    among = field.covariance(candidates.at, candidates.at, shape, scales, prior)
    cov = np.empty((count, n_out, count, n_out))
    for o in range(n_out):
        for p in range(o, n_out):
            cov[:, o, :, p] = among * alike[o, p] - links[o] @ links[p].T
            cov[:, p, :, o] = cov[:, o, :, p].T
    towards = field.covariance(cells, candidates.at, shape, scales, prior)
    told = np.sum([slope[:, o : o + 1] * cell_links[o] for o in range(n_out)], axis=0)
    cross = np.empty((cells.n, count, n_out))
    for p in range(n_out):
        cross[:, :, p] = towards * (slope @ alike[:, p])[:, None] - told @ links[p].T
    return cov.reshape(count * n_out, -1), cross.reshape(cells.n, -1), mean


def _batch_covariance(post: Posterior, candidates: Candidates) -> Array:
    """Return the covariance (C*O, C*O) of the batch effects to come.

    METHODS.md, equation (10).
    """
    scales, n_out = post.integration_points[0], post.shape.n_outcomes
    same_load = np.equal.outer(candidates.load, candidates.load)
    same_round = np.equal.outer(candidates.round_, candidates.round_)
    luck = scales.load_sd**2 * same_load + scales.round_sd**2 * same_round
    common = post.prior.batch_common
    return np.asarray(np.kron(luck, common + (1.0 - common) * np.eye(n_out)))


def _input_noise_covariance(post: Posterior, candidates: Candidates) -> Array:
    """Return the covariance (C, O, O) from the machine spread in each candidate's result."""
    if candidates.spread is None:
        return np.zeros((candidates.at.n, post.shape.n_outcomes, post.shape.n_outcomes))
    gaps = field.spread_effects(
        candidates.at,
        candidates.spread,
        post.data.design_points.at,
        post.shape,
        post.integration_points[0],
        post.prior,
        post.weights_by_point(0),
    )
    return np.asarray(np.einsum("cko,ckp->cop", gaps, gaps))


def _quality_slopes(post: Posterior, mean: Array, variance: Array) -> Array:
    """Return the expected slope (C, O) of quality in the field of each candidate."""
    sd = np.sqrt(np.maximum(variance, 0.0))
    slopes = [w * steepness(post, mean + sd * t, 0) for t, w in zip(_NODES, _WEIGHTS, strict=True)]
    return np.asarray(np.maximum(np.sum(slopes, axis=0), np.sqrt(_LEAST_TOLD)))


def _effective_grade_noise(post: Posterior, mean: Array, variance: Array) -> Array:
    """Return the effective noise variance of a grade at each candidate, (C, O).

    One over the Fisher information: a grade at the open end of its scale is least informative, one
    in the middle nearly as informative as a measurement. The information of a grade far below
    acceptance about the edge depends on the slope between, which the field only assumes.
    METHODS.md, equation (27).
    """
    scales = post.integration_points[0]
    out = np.empty_like(mean)
    top = post.ceiling[0]
    for o, graded in enumerate(post.grade_scales):
        noise = scales.noise[o]
        if graded is None:
            out[:, o] = noise**2
            continue
        edges = np.concatenate(([-np.inf], graded.cuts, [np.inf]))
        information = np.zeros(len(mean))
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            f = mean[:, o] + np.sqrt(np.maximum(variance[:, o], 0.0)) * node
            t = (edges[None, :] - quality(f, top[o])[:, None]) / noise
            density = np.exp(-0.5 * t**2) / np.sqrt(2 * np.pi)
            chance = np.maximum(np.diff(ndtr(t), axis=1), 1e-12)
            told = np.sum(np.diff(density, axis=1) ** 2 / chance, axis=1)
            information += weight * quality_slope(f, top[o]) ** 2 * told
        out[:, o] = noise**2 / np.clip(information, _LEAST_TOLD, 1.0)
        out[:, o] += (BAD_GRADE_NOISE * np.minimum(mean[:, o], 0.0)) ** 2
    return out
