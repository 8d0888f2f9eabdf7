"""A simulated bench: one draw of the latent field, taken as the truth.

The field is drawn at many anchors and interpolated by its conditional mean, so that it is one
function: a print at a setting and the map of all settings see the same bench. A posterior draw
corrects a prior draw by Matheron's rule (Wilson et al. 2020, Proc. ICML 37:10292, sec. 3; Rasmussen
& Williams 2006, appendix A.2 for the conditional).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from dtfexp.maths.field import batch_effects, field
from dtfexp.maths.field.ceiling import quality
from dtfexp.maths.field.monotone import monotone_fields
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape, Points
from dtfexp.maths.inference.hyperparameters import (
    HYPER_PRIORS,
    LearntPrior,
    n_dimensions,
    to_hyperparameters,
)
from dtfexp.maths.inference.observations import GradeScale
from dtfexp.maths.inference.posterior import Posterior, ceilings
from dtfexp.maths.inference.site_fitting import data_batch_covariance, data_covariance
from dtfexp.maths.prediction.pass_probability import all_pass_probability, new_press_effects

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

# Added to the anchors' variance (grade units squared), for close anchors.
_RIDGE = 1e-6
_CHUNK = 2048


@dataclass(frozen=True)
class SimulatedField:
    """A drawn bench.

    ``anchors`` (n) with ``weights`` (n, O): the field is prior mean + covariance with the anchors @
    weights; ``graded``: the cuts of its grader; ``has_blocks``: whether days or lots have batch
    effects; the rest as in the posterior it was drawn from.
    """

    anchors: Points
    weights: Array
    shape: FieldShape
    scales: Hyperparameters
    prior: Prior
    graded: tuple[GradeScale | None, ...]
    has_blocks: bool

    @property
    def ceiling(self) -> Array:
        """The ceiling of quality (O,); infinite where an outcome is measured."""
        return ceilings(self.graded, self.scales)

    def quality(self, fields: Array) -> Array:
        """Return the quality of fields (..., O), non-increasing in the number of washes."""
        return quality(monotone_fields(fields, self.shape.wash_order), self.ceiling)

    def fields_at(self, points: Points) -> tuple[Array, Array]:
        """Return the field (M, O) averaged over the machine spread, and its input-noise moments.

        The moments have shape (M, O, 3 + O).
        """
        mean = np.empty((points.n, self.shape.n_outcomes))
        input_noise = np.empty((*mean.shape, 3 + mean.shape[1]))
        for start in range(0, points.n, _CHUNK):
            rows = np.arange(start, min(points.n, start + _CHUNK))
            part = points.take(rows)
            base, input_noise[rows] = field.covariance_and_input_noise(
                part, self.anchors, self.shape, self.scales, self.prior, self.weights
            )
            trade = field.outcome_means(part, self.shape, self.scales, self.prior)
            mean[rows] = trade + base @ self.weights
        return mean, input_noise

    def pass_rate(self, points: Points) -> Array:
        """Return the true pass rate (M,) of a new press: new load, new round, machine spread."""
        mean, input_noise = self.fields_at(points)
        split = batch_effects.new_press_variance(self.scales, self.prior, self.has_blocks)
        press = new_press_effects(self.quality, split, mean, input_noise)
        return all_pass_probability(
            self.quality(mean) - press.quality_loss, press.loading, press.own_variance
        )

    def simulate_presses(
        self, points: Points, load: Ints, round_: Ints, rng: np.random.Generator
    ) -> Array:
        """Return the latent results (n, O) of n presses, in grade units above acceptance.

        Quality, batch effects and press noise, before the cut into grades.
        """
        n, n_out = points.n, self.shape.n_outcomes
        outcome = np.tile(np.arange(n_out), n)
        press = np.repeat(np.arange(n), n_out)
        shared = batch_effects.batch_covariance(
            outcome,
            np.repeat(load, n_out),
            np.repeat(round_, n_out),
            press if self.has_blocks else np.full(n * n_out, -1),
            press,
            self.scales,
            self.prior,
        )
        drawn = np.linalg.cholesky(shared + _RIDGE * np.eye(n * n_out)) @ rng.normal(size=n * n_out)
        noise = rng.normal(size=(n, n_out)) * self.scales.noise
        return np.asarray(self.quality(self.fields_at(points)[0]) + drawn.reshape(n, n_out) + noise)


def prior_draw(
    shape: FieldShape,
    grade_scales: tuple[GradeScale | None, ...],
    anchors: Points,
    rng: np.random.Generator,
    learnt: LearntPrior | None = None,
) -> SimulatedField:
    """Return a bench with hyperparameters and field from their priors, or from a learnt one."""
    taught = learnt if learnt is not None and rng.random() < learnt.share else None
    scales = to_hyperparameters(
        rng.normal(size=n_dimensions(shape.n_outcomes)),
        shape.n_outcomes,
        HYPER_PRIORS if taught is None else taught.hyper_priors,
    )
    if taught is not None:
        scales = replace(scales, trend=taught.trend)
    prior = Prior()
    weights = _prior_weights(anchors, shape, scales, prior, rng)
    return SimulatedField(anchors, weights, shape, scales, prior, grade_scales, False)


def posterior_draw(post: Posterior, anchors: Points, rng: np.random.Generator) -> SimulatedField:
    """Return a bench from the posterior. METHODS.md, equation (37)."""
    j = int(rng.choice(len(post.weight), p=post.weight))
    scales, shape, prior, data = post.integration_points[j], post.shape, post.prior, post.data
    weights = _prior_weights(anchors, shape, scales, prior, rng)
    in_blocks = bool(np.any(data.block >= 0))
    if data.n:
        # Only the prior draw at the data is needed; the correction adds batch effects.
        base = field.covariance(data.at, anchors, shape, scales, prior)
        drawn = ((base @ weights) * data.outcome_design(shape.n_outcomes)).sum(axis=1)
        correction = post.sites.weights[j] - _conditioned_rows(post, j, drawn, rng)
        more = correction[:, None] * post.row_outcome_correlation(j)
        anchors, weights = anchors.joined(data.at), np.vstack([weights, more])
    return SimulatedField(anchors, weights, shape, scales, prior, post.grade_scales, in_blocks)


def _prior_weights(
    anchors: Points,
    shape: FieldShape,
    hyper: Hyperparameters,
    prior: Prior,
    rng: np.random.Generator,
) -> Array:
    """Return weights (n, O) of a prior draw: with K = L L', a draw L z is K @ (L'^-1 z)."""
    cov = field.covariance(anchors, anchors, shape, hyper, prior) + _RIDGE * np.eye(anchors.n)
    alike = np.linalg.cholesky(field.outcome_correlation(shape, hyper.outcome_correlation, prior))
    z = rng.normal(size=(anchors.n, shape.n_outcomes)) @ alike.T
    return np.asarray(solve_triangular(np.linalg.cholesky(cov), z, lower=True, trans="T"))


def _conditioned_rows(post: Posterior, j: int, drawn: Array, rng: np.random.Generator) -> Array:
    """Return the prediction weights (N,) of a draw of the field at the data.

    All that is not field (batch effects, input noise, the noise of the sites) is drawn to it.
    """
    sites, data, scales = post.sites, post.data, post.integration_points[j]
    of_field, of_batch = sites.loading[j]
    mix = data.outcome_design(post.shape.n_outcomes)
    signal = field.covariance(data.at, data.at, post.shape, scales, post.prior)
    beside = data_covariance(data, post.shape, scales, post.prior)
    beside -= signal * (post.row_outcome_correlation(j) @ mix.T)
    other = of_field[:, None] * beside * of_field + np.eye(data.n)
    other += of_batch[:, None] * data_batch_covariance(data, scales, post.prior) * of_batch
    noise = np.linalg.cholesky(other) @ rng.normal(size=data.n)
    return np.asarray(sites.root[j] @ (sites.inverse_root[j].T @ (of_field * drawn + noise)))
