"""The posterior of the latent field: weighted integration points with the EP sites of each.

Predictions are Gaussian at an integration point and mixed over them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field import field
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.inference.hyperparameters import HYPER_PRIORS, HyperPrior
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.propagation.ep import Sites

Array = NDArray[np.float64]

# Numbers kept between predictions at most: 160 MB.
_MOST_KEPT = 2e7


@dataclass(frozen=True)
class Posterior:
    """Weighted scale settings with their sites; everything a prediction needs."""

    data: Data
    shape: FieldShape
    prior: Prior
    grade_scales: tuple[GradeScale | None, ...]
    integration_points: tuple[Hyperparameters, ...]
    weight: Array
    sites: Sites
    hyper_priors: tuple[HyperPrior, ...] = HYPER_PRIORS

    @property
    def settled(self) -> bool:
        """Whether the updates of every scale setting settled, with every integral in range."""
        return bool(self.sites.converged.all() and self.sites.resolved.all())

    def shift(self) -> tuple[Array, Array] | None:
        """Mean and sd (c d,) of each setting's move in codes, change by change; None: no change."""
        found = [s.shift for s in self.integration_points if s.shift is not None]
        if not found:
            return None
        moved = np.array(found)
        mean = self.weight @ moved
        return mean, np.sqrt(self.weight @ (moved - mean) ** 2)

    def outcome_correlation(self, j: int) -> Array:
        """Correlation (O, O) of the outcomes' fields at scale setting ``j``."""
        return field.outcome_correlation(
            self.shape, self.integration_points[j].outcome_correlation, self.prior
        )

    def row_outcome_correlation(self, j: int) -> Array:
        """Correlation (N, O) of what every row of the data holds with the outcomes' fields."""
        return np.asarray(
            self.data.outcome_design(self.shape.n_outcomes) @ self.outcome_correlation(j)
        )

    def weights(self, j: int) -> Array:
        """Prediction weights (N, O) at scale setting ``j``; empty when nothing was seen."""
        return np.asarray(self.sites.weights[j][:, None] * self.row_outcome_correlation(j))

    def whitened_cross(self, base: Array, j: int) -> list[Array]:
        """Return the whitened link (n, N) of points to the data, for each outcome.

        From their prior covariance ``base`` (n, N): posterior covariance = prior - link @ link'.
        """
        return [
            (base * column) @ self.sites.root[j] for column in self.row_outcome_correlation(j).T
        ]

    def weights_by_point(self, j: int) -> Array:
        """Return the prediction weights added up by place, (P, O)."""
        return self.data.design_points.sum_rows(self.weights(j))

    def whitened_cross_by_point(self, base: Array, j: int) -> list[Array]:
        """Return :meth:`whitened_cross` from the covariance ``base`` (n, P) with the places."""
        return [base @ root for root in self._roots_by_point(j)]

    def covariance_reduction(self, base: Array, j: int) -> Array:
        """Return the covariance reduction by the data, for the outcomes (n, O, O)."""
        count = self.shape.n_outcomes
        out = np.empty((len(base), count, count))
        for (o, p), kernel in self._reduction_kernels(j).items():
            out[:, o, p] = np.einsum("na,na->n", base @ kernel, base)
            out[:, p, o] = out[:, o, p]
        return out

    def _reduction_kernels(self, j: int) -> dict[tuple[int, int], Array]:
        """Return the matrix (P, P) between the places for each pair of outcomes, o <= p.

        Kept, because it is asked for at every prediction and does not depend on where.
        """
        if j in self._kernels_kept:
            return self._kernels_kept[j]
        roots = self._roots_by_point(j)
        pairs = combinations_with_replacement(range(len(roots)), 2)
        made = {(o, p): roots[o] @ roots[p].T for o, p in pairs}
        size = sum(kernel.size for kernel in made.values())
        if size * len(self.integration_points) <= _MOST_KEPT:
            self._kernels_kept[j] = made
        return made

    @cached_property
    def _kernels_kept(self) -> dict[int, dict[tuple[int, int], Array]]:
        return {}

    def _roots_by_point(self, j: int) -> list[Array]:
        """Return the sites' roots added up by place for each outcome, O of (P, N)."""
        root, places = self.sites.root[j], self.data.design_points
        return [
            places.sum_rows(column[:, None] * root) for column in self.row_outcome_correlation(j).T
        ]

    @cached_property
    def ceiling(self) -> Array:
        """Ceiling of quality (J, O) at every integration point; measured outcomes have none."""
        return np.array([ceilings(self.grade_scales, s) for s in self.integration_points])


def ceilings(grade_scales: tuple[GradeScale | None, ...], hyper: Hyperparameters) -> Array:
    """Ceiling of quality (O,) for each outcome; infinite where it is measured."""
    return np.array([np.inf if scale is None else hyper.ceiling for scale in grade_scales])
