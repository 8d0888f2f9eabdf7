"""The leave-one-out predictive of a press, without refitting.

The sites of all other observations stay; those of the press are removed from the posterior (the
cavity of expectation propagation, Rasmussen & Williams 2006, eq. 3.56, for all grades of one press
jointly). The weights of the integration points stay those of all presses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from dtfexp.maths.field import field
from dtfexp.maths.field.ceiling import capped_moments, quality
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.posterior import Posterior, data_covariance, data_mean
from dtfexp.maths.inference.prediction import FieldPosterior, predict
from dtfexp.maths.inference.single_thread import single_threaded

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

# Finite replacement of an open end of a scale, in grade units.
_FAR_OFF = 40.0


@dataclass(frozen=True)
class HeldOut:
    """The leave-one-out predictive of the latent values of some rows.

    ``rows`` (q,); ``mean`` (J, q), ``covariance`` (J, q, q), with batch effects, without press
    noise; ``bits`` (J,): information of the rows on their own latent values.
    """

    rows: Ints
    mean: Array
    covariance: Array
    information_bits: Array


class LeaveOneOut:
    """Removes presses from a posterior, one at a time."""

    @single_threaded
    def __init__(self, post: Posterior) -> None:
        self.post = post
        data, shape, prior = post.data, post.shape, post.prior
        self._prior_mean = [data_mean(data, shape, s, prior) for s in post.integration_points]
        self._posterior = []
        for j, scales in enumerate(post.integration_points):
            prior_covariance = data_covariance(data, shape, scales, prior)
            link = prior_covariance @ post.sites.root[j]
            self._posterior.append(prior_covariance - link @ link.T)

    def hold_out(self, rows: Ints) -> HeldOut:
        """Return the cavity without the given rows, usually all of one press."""
        count, q = len(self.post.integration_points), len(rows)
        mean, covariance, bits = np.empty((count, q)), np.empty((count, q, q)), np.empty(count)
        for j in range(count):
            own = self._posterior[j][np.ix_(rows, rows)]
            site = np.diag(self.post.sites.precision[j, rows])
            # (own^-1 - site)^-1, in a form that inverts nothing twice.
            solved = np.linalg.solve(np.eye(q) - own @ site, own)
            covariance[j] = 0.5 * (solved + solved.T)
            here = self.post.sites.mean[j, rows] - self._prior_mean[j][rows]
            back = np.linalg.solve(own, here) - self.post.sites.shift[j, rows]
            mean[j] = covariance[j] @ back + self._prior_mean[j][rows]
            bits[j] = -0.5 * np.linalg.slogdet(np.eye(q) - own @ site)[1] / np.log(2.0)
        return HeldOut(rows, mean, covariance, np.maximum(bits, 0.0))

    def predictive_cdf(self, left: HeldOut, cuts: Array) -> Array:
        """Return P(a new judgement of row i is below ``cuts``), press noise included, (q, c)."""
        out = np.zeros(cuts.shape)
        outcome = self.post.data.outcome[left.rows]
        for j, weight in enumerate(self.post.weight):
            top = self.post.ceiling(j)[outcome]
            field_sd = np.sqrt(np.diagonal(left.covariance[j]))
            noise = self.post.integration_points[j].noise[outcome]
            mean = left.mean[j]
            chance = ndtr((cuts - mean[:, None]) / np.hypot(field_sd, noise)[:, None])
            bent = np.isfinite(top)
            # The ceiling makes the quality non-Gaussian.
            ends = np.clip(cuts[bent], -_FAR_OFF, _FAR_OFF)
            rows = (x[bent, None] + np.zeros(ends.shape) for x in (mean, field_sd**2, noise, top))
            at, variance, own, ceiling = rows
            below = np.full(ends.shape, -np.inf)
            chance[bent] = np.exp(capped_moments(at, variance, below, ends, own, ceiling)[0])
            out += weight * chance
        return out

    def expected_quality(self, left: HeldOut) -> Array:
        """Return the predicted quality (q,)."""
        outcome = self.post.data.outcome[left.rows]
        tops = np.array(
            [self.post.ceiling(j)[outcome] for j in range(len(self.post.integration_points))]
        )
        return np.asarray(self.post.weight @ quality(left.mean, tops))


class PredictionsWithout:
    """The field at some points with and without a press; ``whole`` is with all presses."""

    @single_threaded
    def __init__(self, post: Posterior, at: Points, leave: LeaveOneOut) -> None:
        self.post, self.leave = post, leave
        self.whole = predict(post, at)
        self._cross = []
        for j, scales in enumerate(post.integration_points):
            base = field.covariance(at, post.data.at, post.shape, scales, post.prior)
            alike = post.row_outcome_correlation(j).T
            prior_link = data_covariance(post.data, post.shape, scales, post.prior)
            link = prior_link @ post.sites.root[j]
            links = post.whitened_cross(base, j)
            self._cross.append(
                np.array(
                    [base * alike[o] - links[o] @ link.T for o in range(post.shape.n_outcomes)]
                )
            )

    def without(self, left: HeldOut) -> FieldPosterior:
        """Return the field without the press.

        With C the posterior covariance of field and rows and S that of the rows, removing the rows'
        sites changes the mean by C S^-1 (m - mu) and the covariance by C S^-1 (V - S) S^-1 C',
        where (m, V) is the cavity: given the rows, site and field are independent.
        """
        mean, covariance = self.whole.mean.copy(), self.whole.covariance.copy()
        for j in range(len(self.post.integration_points)):
            own = self.leave._posterior[j][np.ix_(left.rows, left.rows)]
            cross = np.moveaxis(self._cross[j][:, :, left.rows], 0, 1)
            share = cross @ np.linalg.inv(own)
            mean[j] += share @ (left.mean[j] - self.post.sites.mean[j, left.rows])
            covariance[j] += share @ (left.covariance[j] - own) @ np.swapaxes(share, 1, 2)
        return FieldPosterior(mean, covariance, self.whole.input_noise)
