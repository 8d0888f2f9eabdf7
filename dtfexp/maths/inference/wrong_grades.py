"""Grades that may be wrong: the share of them, integrated out beside the scales.

A row's term is linear in the share, and expectation propagation at its fixed point does not move
with the sites to first order (Minka 2001): from the beliefs at one share the evidence at all others
is at hand, and none of them is fitted.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, roots_sh_jacobi

from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.propagation.ep import Sites

Array = NDArray[np.float64]

# Gauss-Jacobi nodes over the beta prior: the evidence is a polynomial of the share but for a few
# rows, smooth on the scale of the prior.
_NODES = 9


def share_nodes(prior: Prior) -> tuple[Array, Array]:
    """Return nodes (K,) of the share's prior and their weights, which add up to one."""
    wrong = prior.wrong_share * prior.wrong_share_grades
    nodes, weights = roots_sh_jacobi(_NODES, prior.wrong_share_grades - 1.0, wrong)
    return nodes, weights / weights.sum()


def log_evidence_by_share(sites: Sites, grades: Array, at: float, shares: Array) -> Array:
    """Return the log evidence (J, K) at ``shares`` (K,), of sites fitted with the share ``at``.

    grades (N,): how many grades each row could have had (zero: it cannot be wrong).
    METHODS.md, section 5.
    """
    may = grades > 0
    log_seen, any_grade = sites.log_chance[:, None, may], 1.0 / grades[may]
    right = np.maximum(np.exp(log_seen) - at * any_grade, 0.0) / (1.0 - at)
    share = shares[:, None]
    chance = (1.0 - share) * right + share * any_grade
    moved: Array = (np.log(chance) - log_seen).sum(axis=2)
    return sites.log_evidence[:, None] + moved


def integrated_log_evidence(sites: Sites, grades: Array, prior: Prior) -> Array:
    """Return the log evidence (J,) with the share integrated over its prior.

    ``sites`` are fitted with the prior's mean share.  METHODS.md, section 5.
    """
    if not prior.wrong_share:
        return sites.log_evidence
    nodes, weights = share_nodes(prior)
    each = log_evidence_by_share(sites, grades, prior.wrong_share, nodes)
    return np.asarray(logsumexp(each, axis=1, b=weights))


def expected_share(sites: Sites, grades: Array, prior: Prior) -> float:
    """Return the posterior mean of the share at the first of the scales.

    A row's term is linear in the share, so that its mean, the other rows seen, is all that counts.
    METHODS.md, section 5.
    """
    if not prior.wrong_share:
        return 0.0
    nodes, weights = share_nodes(prior)
    each = log_evidence_by_share(sites, grades, prior.wrong_share, nodes)[0]
    weights = weights * np.exp(each - each.max())
    return float(weights @ nodes / weights.sum())
