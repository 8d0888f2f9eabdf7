"""The leave-one-out predictive of a press, without refitting.

The sites of all other observations stay; those of the press are removed from the posterior (the
cavity of expectation propagation, Rasmussen & Williams 2006, eq. 3.56, for all grades of one press
jointly). The weights of the integration points stay those of all presses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from dtfexp.maths.field import field
from dtfexp.maths.field.ceiling import quality
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import FieldPosterior, predict
from dtfexp.maths.inference.single_thread import single_threaded
from dtfexp.maths.inference.site_fitting import (
    data_batch_covariance,
    data_covariance,
    row_noise,
)
from dtfexp.maths.propagation.tilted import Belief, capped_tilted, interval_tilted

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

# Finite replacement of an open end of a scale, in grade units.
_FAR_OFF = 40.0


@dataclass(frozen=True)
class HeldOut:
    """The leave-one-out predictive of the latent values of some rows.

    ``rows`` (q,); ``mean`` (J, 2q), ``covariance`` (J, 2q, 2q): the fields of all rows, then their
    batch effects, both without press noise; ``information_bits`` (J,): information of the rows on
    their own latent values.
    """

    rows: Ints
    mean: Array
    covariance: Array
    information_bits: Array

    def beliefs(self) -> Belief:
        """Return each row's own belief (J, q)."""
        q = len(self.rows)
        index = np.arange(q)
        return Belief(
            self.mean[:, :q],
            self.mean[:, q:],
            self.covariance[:, index, index],
            self.covariance[:, index, index + q],
            self.covariance[:, index + q, index + q],
        )


@dataclass(frozen=True)
class LeftOut:
    """Rows (R,), each without all rows of its own press: beliefs (J, R)."""

    rows: Ints
    beliefs: Belief

    @classmethod
    def of(cls, held_out: Sequence[HeldOut]) -> LeftOut:
        """Return the rows of several presses, in their order."""
        each = [vars(left.beliefs()) for left in held_out]
        return cls(
            np.concatenate([left.rows for left in held_out]),
            Belief(*(np.concatenate([one[name] for one in each], axis=1) for name in each[0])),
        )

    def take(self, which: Ints) -> LeftOut:
        """Return some of the rows, by their place."""
        return LeftOut(
            self.rows[which], Belief(*(x[:, which] for x in vars(self.beliefs).values()))
        )

    def predictive_cdf(self, post: Posterior, cuts: Array) -> Array:
        """Return P(a new judgement of a row is below ``cuts`` (R, c)), press noise included."""
        out = np.zeros(cuts.shape)
        outcome = post.data.outcome[self.rows]
        below, ends = np.full(cuts.shape, -np.inf), np.clip(cuts, -_FAR_OFF, _FAR_OFF)
        for j, weight in enumerate(post.weight):
            top, noise = (
                x[:, None] + np.zeros(cuts.shape)
                for x in (
                    post.ceiling[j][outcome],
                    row_noise(post.data, post.integration_points[j])[self.rows],
                )
            )
            own = (np.repeat(x[j][:, None], cuts.shape[1], 1) for x in vars(self.beliefs).values())
            belief, bent = Belief(*own), np.isfinite(top[:, 0])
            chance = np.exp(interval_tilted(belief, below, ends, noise).log_z)
            if bent.any():
                rows = (below[bent], ends[bent], noise[bent], top[bent])
                chance[bent] = np.exp(capped_tilted(belief.rows(bent), *rows).log_z)
            out += weight * chance
        return out

    def expected_quality(self, post: Posterior) -> Array:
        """Return the quality (R,) that the other presses predict, batch effects included."""
        tops = post.ceiling[:, post.data.outcome[self.rows]]
        return np.asarray(post.weight @ (quality(self.beliefs.field, tops) + self.beliefs.batch))


class LeaveOneOut:
    """Removes presses from a posterior, one at a time."""

    @single_threaded
    def __init__(self, post: Posterior) -> None:
        self.post = post
        data, shape, prior = post.data, post.shape, post.prior
        # Whitened links of fields and batch effects to the data, and their prior covariances.
        self._prior, self._links = [], []
        for j, scales in enumerate(post.integration_points):
            of_field = data_covariance(data, shape, scales, prior)
            of_batch = data_batch_covariance(data, scales, prior)
            self._prior.append((of_field, of_batch))
            self._links.append((of_field @ post.sites.root[j], of_batch @ post.sites.batch_root[j]))

    def posterior_of(self, rows: Ints, j: int) -> tuple[Array, Array]:
        """Return mean (2q,) and covariance (2q, 2q) of fields and batch effects, all presses in."""
        sites = self.post.sites
        mean = np.concatenate([sites.mean[j, rows], sites.batch_mean[j, rows]])
        links = np.concatenate([link[rows] for link in self._links[j]])
        prior = [of[np.ix_(rows, rows)] for of in self._prior[j]]
        return mean, block_diag(*prior) - links @ links.T

    def sites_of(self, rows: Ints, j: int) -> tuple[Array, Array]:
        """Return the rows' sites: loadings (2q, q) and shifts (2q,)."""
        loading, shift = self.post.sites.loading[j][:, rows], self.post.sites.shift[j][:, rows]
        return np.concatenate([np.diag(x) for x in loading]), shift.ravel()

    def hold_out(self, rows: Ints) -> HeldOut:
        """Return the cavity without the given rows, usually all of one press.

        METHODS.md, equation (36).
        """
        count, q = len(self.post.integration_points), len(rows)
        mean, covariance = np.empty((count, 2 * q)), np.empty((count, 2 * q, 2 * q))
        bits = np.empty(count)
        for j in range(count):
            here, own = self.posterior_of(rows, j)
            loading, shift = self.sites_of(rows, j)
            # (own^-1 - loading loading')^-1, by what the sites leave along their loadings.
            along = own @ loading
            left = np.eye(q) - loading.T @ along
            covariance[j] = own + along @ np.linalg.solve(left, along.T)
            mean[j] = here + along @ np.linalg.solve(left, loading.T @ here)
            mean[j] -= covariance[j] @ shift
            bits[j] = -0.5 * np.linalg.slogdet(left)[1] / np.log(2.0)
        return HeldOut(rows, mean, covariance, np.maximum(bits, 0.0))


class PredictionsWithout:
    """The field at some points with and without a press; ``whole`` is with all presses."""

    @single_threaded
    def __init__(self, post: Posterior, at: Points, leave: LeaveOneOut) -> None:
        self.post, self.leave = post, leave
        self.whole = predict(post, at)
        # Posterior covariance of the fields there with those of all rows, and with batch effects.
        self._cross = []
        for j, scales in enumerate(post.integration_points):
            base = field.covariance(at, post.data.at, post.shape, scales, post.prior)
            links = np.array(post.whitened_cross(base, j))
            of_field, of_batch = leave._links[j]
            prior = base * post.row_outcome_correlation(j).T[:, None, :]
            self._cross.append((prior - links @ of_field.T, -links @ of_batch.T))

    def without(self, left: HeldOut) -> FieldPosterior:
        """Return the field without the press.

        Its covariance with the rows' latent values tells what their sites took away, and moved.
        """
        mean, covariance = self.whole.mean.copy(), self.whole.covariance.copy()
        for j in range(len(self.post.integration_points)):
            here, own = self.leave.posterior_of(left.rows, j)
            loading, shift = self.leave.sites_of(left.rows, j)
            both = np.concatenate([c[:, :, left.rows] for c in self._cross[j]], axis=2)
            cross = np.moveaxis(both, 0, 1)
            along = cross @ loading
            gain = np.linalg.inv(np.eye(len(left.rows)) - loading.T @ own @ loading)
            mean[j] += along @ gain @ (loading.T @ (here - own @ shift)) - cross @ shift
            covariance[j] += along @ gain @ np.swapaxes(along, 1, 2)
        return FieldPosterior(mean, covariance, self.whole.input_noise)
