"""The Gaussian posterior that given sites leave: matrices of the rows, and nothing of grades.

With A the loadings of field and batch effects (two diagonals), x = (field, batch effect) of every
row and z = A x, let B = I + cov(z) = L L' and R = L'^-1 (Rasmussen & Williams 2006, sec. 3.6.1).
The batch effects are few draws for many rows, so their covariance is mostly zeros and their links
K_beta A_beta R come by a sparse product.  With S = I + A_beta K_beta A_beta the fields need no
product of matrices at all: A_f K_f A_f = B - S. So

    A_f cov(f | sites) A_f = S - (S R)(S R)',
    A_f cov(f, beta | sites) = (S R)(K_beta A_beta R)' - A_beta K_beta.

Divided by the loading, which loses digits where a row says next to nothing of its field: there
alone the links of the fields are computed as they stand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import dtrmm
from scipy.linalg.lapack import dpotrf, dtrtri
from scipy.sparse import csr_array

from dtfexp.maths.propagation.tilted import Belief

Array = NDArray[np.float64]

_LEAST_VARIANCE = 1e-10
# A row whose site takes a smaller share than this of the field's variance would lose digits.
_SAYS_LITTLE = 1e-3
# A sparse product is faster from this number of rows on, with no more entries than this.
_MANY_ROWS, _FEW_ENTRIES = 150, 0.08
# Numbers of a matrix, over all settings, worked on at once: more would not stay in the cache.
_AT_ONCE = 4e4
# Half of a triangle that LAPACK inverts as quickly as by halves.
_SMALL_TRIANGLE = 32


@dataclass(frozen=True)
class State:
    """The posterior by the current sites: the belief in every row, relative to its prior mean.

    inverse_root (J, N, N): R with R R' = (I + A K A')^-1; known (J, N): diagonal of that inverse;
    log_det (J,) of I + A K A'; weights (J, 2, N).
    """

    belief: Belief
    inverse_root: Array
    known: Array
    log_det: Array
    weights: Array


@dataclass(frozen=True)
class Priors:
    """Prior covariances of fields and batch effects of the rows, each (J, N, N)."""

    fields: Array
    batch: Array
    entries: tuple[NDArray[np.intp], NDArray[np.intp]] | None

    @classmethod
    def of(cls, fields: Array, batch: Array) -> Priors:
        """Return the same, told where the batch effects are other than zero if that pays."""
        n_rows = fields.shape[1]
        entries = None
        if n_rows >= _MANY_ROWS:
            rows, columns = np.nonzero(batch.any(axis=0))
            if len(rows) <= _FEW_ENTRIES * n_rows**2:
                entries = rows, columns
        return cls(fields, batch, entries)

    def some(self, which: slice) -> Priors:
        """Return the same for some of the settings."""
        return Priors(self.fields[which], self.batch[which], self.entries)

    def write_links(self, loading: Array, root: Array, links: Array) -> None:
        """Write K_beta A_beta R over K_beta A_beta for loadings (J, N) of batch effects."""
        if self.entries is None:
            for by, one in zip(root, links, strict=True):
                # In place; R is a triangle, which halves the work.
                dtrmm(1.0, by.T, one.T, lower=1, overwrite_b=1)
            return
        rows, columns = self.entries
        starts = np.searchsorted(rows, np.arange(root.shape[1] + 1))
        for j, (batch, by) in enumerate(zip(self.batch, loading, strict=True)):
            values = batch[rows, columns] * by[columns]
            links[j] = csr_array((values, columns, starts), shape=batch.shape) @ root[j]


def posterior(prior: Priors, loading: Array, shift: Array) -> State:
    """Return the posterior of fields and batch effects by sites of loading and shift (J, 2, N)."""
    fields, batch = prior.fields, prior.batch
    of_field, of_batch = loading[:, 0], loading[:, 1]
    n_sets, n_rows = of_field.shape
    index = np.arange(n_rows)
    root, log_det = np.empty(fields.shape), np.zeros(n_sets)
    known, own_links, together = np.empty((3, n_sets, n_rows))
    few = max(1, int(_AT_ONCE // max(1, n_rows**2)))
    spare = np.empty((2, few, *fields.shape[1:]))
    for start in range(0, n_sets if n_rows else 0, few):
        some = slice(start, start + few)
        part, links = prior.some(some), spare[0, : n_sets - start]
        _write_covariance(part, loading[some], root[some], links, spare[1, : n_sets - start])
        log_det[some] = _invert_roots(root[some])
        part.write_links(of_batch[some], root[some], links)
        known[some] = _row_products(root[some], root[some])
        # S R = R + A_beta links is needed by its products with itself and the links alone.
        own_links[some] = _row_products(links, links)
        together[some] = _row_products(links, root[some])
    own_batch, own_field = batch[:, index, index], fields[:, index, index]
    alone = 1.0 + of_batch**2 * own_batch
    says_little = of_field**2 * own_field < _SAYS_LITTLE
    told = np.where(says_little, 1.0, of_field)
    field_variance = alone - known - of_batch * (2.0 * together + of_batch * own_links)
    field_variance /= told**2
    covariance = (together + of_batch * (own_links - own_batch)) / told
    for j in np.flatnonzero(says_little.any(axis=1)):
        rows = np.flatnonzero(says_little[j])
        directly = (fields[j, rows] * of_field[j]) @ root[j]
        links_of_rows = (batch[j, rows] * of_batch[j]) @ root[j]
        field_variance[j, rows] = own_field[j, rows] - _row_products(directly, directly)
        covariance[j, rows] = -_row_products(directly, links_of_rows)
    pushed = _products(fields, shift[:, 0]), _products(batch, shift[:, 1])
    moved = _products(root.swapaxes(1, 2), of_field * pushed[0] + of_batch * pushed[1])
    weights = shift - loading * _products(root, moved)[:, None]
    belief = Belief(
        _products(fields, weights[:, 0]),
        _products(batch, weights[:, 1]),
        np.maximum(field_variance, _LEAST_VARIANCE),
        covariance,
        np.maximum(own_batch - own_links, 0.0),
    )
    return State(belief, root, known, log_det, weights)


def _write_covariance(
    prior: Priors, loading: Array, covariance: Array, scaled: Array, spare: Array
) -> None:
    """Write I + A K A' (J, N, N) and, where the prior tells no entries, K_beta A_beta to arrays.

    ``loading`` (J, 2, N) of the sites; ``spare`` for what is in between: a new array takes as long
    to get as to fill.
    """
    of_field, of_batch = loading[:, 0], loading[:, 1]
    index = np.arange(loading.shape[-1])
    np.multiply(prior.fields, of_field[:, :, None], out=covariance)
    covariance *= of_field[:, None, :]
    if prior.entries is None:
        np.multiply(prior.batch, of_batch[:, None, :], out=scaled)
        covariance += np.multiply(scaled, of_batch[:, :, None], out=spare)
    else:
        rows, columns = prior.entries
        covariance[:, rows, columns] += (
            prior.batch[:, rows, columns] * of_batch[:, rows] * of_batch[:, columns]
        )
    covariance[:, index, index] += 1.0


def _invert_roots(b: Array) -> Array:
    """Write R, R R' = b^-1, over each positive definite b (J, N, N); return log |b| (J,).

    In place, by the triangles as LAPACK stores them: ``b.T`` is Fortran's view of ``b``.
    """
    log_det = np.empty(len(b))
    for j, one in enumerate(b):
        _, failed = dpotrf(one.T, lower=1, overwrite_a=1, clean=1)
        if failed:
            raise np.linalg.LinAlgError("covariance of the rows: not positive definite")
        log_det[j] = 2.0 * np.log(one.diagonal()).sum()
        _invert_triangle(one)
    return log_det


def _invert_triangle(upper: Array) -> None:
    """Write the inverse over an upper triangle (N, N), zeros below.

    By halves, so that most of the work is a product of matrices: of 156 rows in a third of the time
    of LAPACK's.
    """
    half = len(upper) // 2
    if half <= _SMALL_TRIANGLE:
        upper[:] = dtrtri(upper.T, lower=1)[0].T
        return
    first, second, across = upper[:half, :half], upper[half:, half:], upper[:half, half:]
    _invert_triangle(first)
    _invert_triangle(second)
    across[:] = -(first @ across @ second)


def _products(matrices: Array, vectors: Array) -> Array:
    """Return matrices (J, N, N) times vectors (J, N)."""
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])


def _row_products(a: Array, b: Array) -> Array:
    """Return the product (..., N) of every row of ``a`` (..., N, N) with that of ``b``."""
    return np.asarray(np.einsum("...ab,...ab->...a", a, b))
