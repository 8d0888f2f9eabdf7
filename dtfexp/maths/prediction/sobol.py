"""First-order and total Sobol indices of a function over the unit cube.

Source: Sobol 2001, Math. Comput. Simul. 55:271; estimators of Saltelli et al. 2010, Comput. Phys.
Commun. 181:259, as in ``scipy.stats.sobol_indices``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc, sobol_indices

Array = NDArray[np.float64]
_NO_VARIANCE = 1e-10


@dataclass(frozen=True)
class PickFreeze:
    """Points of the unit cube: ``first`` and ``second`` (n, d), ``mixed`` (d, n, d).

    Block i of ``mixed`` is ``first`` with column i from ``second``. METHODS.md, section 14.
    """

    first: Array
    second: Array
    mixed: Array

    @classmethod
    def of(cls, n: int, d: int) -> PickFreeze:
        """Return n (a power of two) low-discrepancy points, deterministic."""
        points = qmc.Sobol(2 * d, scramble=True, seed=1).random(n)
        first, second = points[:, :d], points[:, d:]
        mixed = np.repeat(first[None], d, axis=0)
        for i in range(d):
            mixed[i, :, i] = second[:, i]
        return cls(first, second, mixed)

    def all_points(self) -> Array:
        """Return every point, ((2 + d) n, d)."""
        d = self.first.shape[1]
        return np.vstack([self.first, self.second, self.mixed.reshape(-1, d)])

    def indices(self, values: Array) -> tuple[Array, Array]:
        """Return first-order and total shares (s, d) of functions with values (s, (2 + d) n).

        A constant function has zeros.
        """
        n, d = self.first.shape
        of_first, of_second = values[:, :n], values[:, n : 2 * n]
        of_mixed = np.moveaxis(values[:, 2 * n :].reshape(len(values), d, n), 1, 0)
        flat = np.var(np.hstack([of_first, of_second]), axis=1) < _NO_VARIANCE
        alone, total = np.zeros((len(values), d)), np.zeros((len(values), d))
        if not flat.all():
            found = sobol_indices(
                func={"f_A": of_first[~flat], "f_B": of_second[~flat], "f_AB": of_mixed[:, ~flat]},
                n=n,
            )
            alone[~flat] = np.clip(np.reshape(found.first_order, (-1, d)), 0.0, 1.0)
            total[~flat] = np.clip(np.reshape(found.total_order, (-1, d)), 0.0, 1.0)
        return alone, np.maximum(alone, total)
