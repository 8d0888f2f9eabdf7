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
from scipy.linalg.lapack import dpotrf, dtrtri
from scipy.sparse import csr_array

from dtfexp.maths.propagation.tilted import Belief

Array = NDArray[np.float64]

_LEAST_VARIANCE = 1e-10
# A row whose site takes a smaller share than this of the field's variance would lose digits.
_SAYS_LITTLE = 1e-3
# A sparse product is faster from this number of rows on, with no more entries than this.
_MANY_ROWS, _FEW_ENTRIES = 150, 0.08


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

    def batch_links(self, loading: Array, root: Array) -> Array:
        """Return K_beta A_beta R (J, N, N) for loadings (J, N) of batch effects."""
        if self.entries is None:
            return np.asarray((self.batch * loading[:, None, :]) @ root)
        rows, columns = self.entries
        starts = np.searchsorted(rows, np.arange(root.shape[1] + 1))
        out = np.empty(root.shape)
        for j, (batch, by) in enumerate(zip(self.batch, loading, strict=True)):
            values = batch[rows, columns] * by[columns]
            out[j] = csr_array((values, columns, starts), shape=batch.shape) @ root[j]
        return out


def posterior(prior: Priors, loading: Array, shift: Array) -> State:
    """Return the posterior of fields and batch effects by sites of loading and shift (J, 2, N)."""
    fields, batch = prior.fields, prior.batch
    of_field, of_batch = loading[:, 0], loading[:, 1]
    index = np.arange(fields.shape[1])
    root = fields * of_field[:, :, None]
    root *= of_field[:, None, :]
    if prior.entries is None:
        root += batch * (of_batch[:, :, None] * of_batch[:, None, :])
    else:
        rows, columns = prior.entries
        root[:, rows, columns] += batch[:, rows, columns] * of_batch[:, rows] * of_batch[:, columns]
    root[:, index, index] += 1.0
    log_det = _invert_roots(root)
    known = _row_squares(root)
    links = prior.batch_links(of_batch, root)
    own_batch, own_field = batch[:, index, index], fields[:, index, index]
    with_batch = links * of_batch[:, :, None]
    with_batch += root
    alone = 1.0 + of_batch**2 * own_batch
    says_little = of_field**2 * own_field < _SAYS_LITTLE
    told = np.where(says_little, 1.0, of_field)
    field_variance = (alone - _row_squares(with_batch)) / told**2
    covariance = np.einsum("jab,jab->ja", with_batch, links) - of_batch * own_batch
    covariance /= told
    for j in np.flatnonzero(says_little.any(axis=1)):
        rows = np.flatnonzero(says_little[j])
        directly = (fields[j, rows] * of_field[j]) @ root[j]
        field_variance[j, rows] = own_field[j, rows] - _row_squares(directly)
        covariance[j, rows] = -np.einsum("ab,ab->a", directly, links[j, rows])
    pushed = _products(fields, shift[:, 0]), _products(batch, shift[:, 1])
    moved = _products(root.swapaxes(1, 2), of_field * pushed[0] + of_batch * pushed[1])
    weights = shift - loading * _products(root, moved)[:, None]
    belief = Belief(
        _products(fields, weights[:, 0]),
        _products(batch, weights[:, 1]),
        np.maximum(field_variance, _LEAST_VARIANCE),
        covariance,
        np.maximum(own_batch - _row_squares(links), 0.0),
    )
    return State(belief, root, known, log_det, weights)


def _invert_roots(b: Array) -> Array:
    """Write R, R R' = b^-1, over each positive definite b (J, N, N); return log |b| (J,).

    In place, by the triangles as LAPACK stores them: ``b.T`` is Fortran's view of ``b``.
    """
    log_det = np.zeros(len(b))
    for j, one in enumerate(b if b.shape[1] else ()):
        _, failed = dpotrf(one.T, lower=1, overwrite_a=1, clean=1)
        if failed:
            raise np.linalg.LinAlgError("covariance of the rows: not positive definite")
        log_det[j] = 2.0 * np.log(one.diagonal()).sum()
        dtrtri(one.T, lower=1, overwrite_c=1)
    return log_det


def _products(matrices: Array, vectors: Array) -> Array:
    """Return matrices (J, N, N) times vectors (J, N)."""
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])


def _row_squares(matrices: Array) -> Array:
    """Return the squared length (..., N) of every row of (..., N, N)."""
    return np.asarray(np.einsum("...ab,...ab->...a", matrices, matrices))
