"""The Gaussian posterior by given sites against the plain formulas on whole matrices."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp.maths.propagation import site_algebra
from dtfexp.maths.propagation.site_algebra import Priors, posterior

SETS, ROWS = 3, 24


def _made() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Smooth fields, batch effects of six groups, and sites of which two say next to nothing."""
    rng = np.random.default_rng(11)
    at = rng.uniform(-1, 1, (ROWS, 2))
    gap = ((at[:, None] - at) ** 2).sum(axis=-1)
    fields = np.stack([a**2 * (0.5 + np.exp(-gap)) for a in (0.7, 1.0, 1.6)])
    fields += 1e-8 * np.eye(ROWS)
    group = rng.integers(0, 6, ROWS)
    batch = 0.04 * np.stack([s * (group[:, None] == group) + s * np.eye(ROWS) for s in (1, 2, 3)])
    loading = rng.normal(size=(SETS, 2, ROWS))
    loading[:, 0, 4], loading[0, 0, 7] = 0.0, 1e-7
    return fields, batch, loading, rng.normal(size=(SETS, 2, ROWS))


@pytest.mark.parametrize("sparse", [False, True])
def test_beliefs_are_those_of_the_whole_matrix(
    sparse: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """(K^-1 + A'A)^-1 of fields and batch effects at once, as a 2N x 2N matrix (R&W eq. 3.53)."""
    monkeypatch.setattr(site_algebra, "_MANY_ROWS", 0 if sparse else 10**6)
    monkeypatch.setattr(site_algebra, "_FEW_ENTRIES", 1.0)
    fields, batch, loading, shift = _made()
    prior = Priors.of(fields, batch)
    assert (prior.entries is not None) == sparse
    found = posterior(prior, loading, shift)
    for j in range(SETS):
        whole = np.block([[fields[j], np.zeros((ROWS, ROWS))], [np.zeros((ROWS, ROWS)), batch[j]]])
        a = np.hstack([np.diag(loading[j, 0]), np.diag(loading[j, 1])])
        b = np.eye(ROWS) + a @ whole @ a.T
        left = whole - whole @ a.T @ np.linalg.solve(b, a @ whole)
        mean = left @ shift[j].ravel()
        index = np.arange(ROWS)
        assert found.belief.field[j] == pytest.approx(mean[:ROWS], abs=1e-9)
        assert found.belief.batch[j] == pytest.approx(mean[ROWS:], abs=1e-9)
        assert found.belief.field_variance[j] == pytest.approx(left[index, index], abs=1e-9)
        assert found.belief.covariance[j] == pytest.approx(left[index, index + ROWS], abs=1e-9)
        assert found.belief.batch_variance[j] == pytest.approx(np.diag(left)[ROWS:], abs=1e-9)
        assert found.log_det[j] == pytest.approx(np.linalg.slogdet(b)[1], abs=1e-9)
        inverse = np.linalg.inv(b)
        assert found.known[j] == pytest.approx(np.diag(inverse), abs=1e-12)
        root = found.inverse_root[j]
        assert root @ root.T == pytest.approx(inverse, abs=1e-12)
        assert whole @ found.weights[j].ravel() == pytest.approx(mean, abs=1e-9)
