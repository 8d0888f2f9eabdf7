"""Grades with judges as luck: published mixed-model estimates, exact integrals, and our EP.

Christensen (2011-2019), tutorials on cumulative link mixed models with the R package ordinal, wine
example (data: Randall 1989, Biometrical J. 31:781): logit link, a random intercept per judge, by
Laplace's approximation: temperature 3.063, contact 1.835, judges' sd 1.131 (from memory; recomputed
with R ordinal 2022.11-16).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.polynomial.hermite_e import hermegauss
from scipy.optimize import minimize
from scipy.special import logsumexp

from dtfexp.maths.propagation.ep import Observations, propagate
from dtfexp.maths.propagation.ordinal import _log_density, _log_interval

WINE = pd.read_csv(Path(__file__).parent / "data" / "wine.csv")
DESIGN = np.column_stack([WINE["temp"] == "warm", WINE["contact"] == "yes"]).astype(float)
GRADE = WINE["rating"].to_numpy() - 1
JUDGES = (WINE["judge"].to_numpy()[:, None] == np.arange(1, 10)).astype(float)
NODES, WEIGHTS = hermegauss(40)
START = np.array([2.5, 1.5, -1.3, 0.9, 0.8, 0.5, 0.0])


def _unpack(theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Slopes, edges of the grades, sd of the judges."""
    cuts = theta[2] + np.concatenate(([0.0], np.cumsum(np.exp(theta[3:6]))))
    return theta[:2], np.concatenate(([-np.inf], cuts, [np.inf])), float(np.exp(theta[6]))


def _exact(theta: np.ndarray, link: str) -> float:
    """Minus log likelihood, each judge integrated by Gauss-Hermite quadrature."""
    slopes, edges, sd = _unpack(theta)
    by_node = []
    for node in NODES:
        eta = DESIGN @ slopes + sd * node
        by_node.append(JUDGES.T @ _log_interval(edges[GRADE] - eta, edges[GRADE + 1] - eta, link))
    log_weight = np.log(WEIGHTS / WEIGHTS.sum())[:, None]
    return -float(logsumexp(np.array(by_node) + log_weight, axis=0).sum())


def _laplace(theta: np.ndarray, link: str) -> float:
    """Minus log likelihood by Laplace's approximation of each judge's integral."""
    slopes, edges, sd = _unpack(theta)

    def parts(u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        eta = DESIGN @ slopes + JUDGES @ u
        a, b = edges[GRADE] - eta, edges[GRADE + 1] - eta
        log_p = _log_interval(a, b, link)
        first = np.exp(_log_density(a, link) - log_p) - np.exp(_log_density(b, link) - log_p)
        return JUDGES.T @ log_p - 0.5 * (u / sd) ** 2, JUDGES.T @ first - u / sd**2

    def bend(u: np.ndarray) -> np.ndarray:
        return (parts(u + 1e-5)[1] - parts(u - 1e-5)[1]) / 2e-5

    u = np.zeros(9)
    for _ in range(12):
        u = u - parts(u)[1] / bend(u)
    return -float((parts(u)[0] - 0.5 * np.log(-bend(u)) - np.log(sd)).sum())


def _ep(theta: np.ndarray) -> float:
    """Minus our log evidence: judges are luck, noise is the probit's own."""
    slopes, edges, sd = _unpack(theta)
    luck = sd**2 * (JUDGES @ JUDGES.T) + 1e-9 * np.eye(72)
    seen = Observations(edges[GRADE], edges[GRADE + 1], np.full(72, np.nan))
    mean, noise = (DESIGN @ slopes)[None], np.ones((1, 72))
    return -float(propagate(luck[None], mean, noise, seen, tolerance=1e-9).log_evidence[0])


def _estimate(cost: Callable[[np.ndarray], float], scale: float = 1.0) -> np.ndarray:
    """(temperature, contact, judges' sd) of the highest likelihood."""
    found = minimize(cost, scale * START, method="BFGS", options={"gtol": 1e-4}).x
    return np.array([*found[:2], np.exp(found[6])])


def test_wine_with_judges_agrees_with_the_published_mixed_model() -> None:
    published = [3.063, 1.835, 1.131]
    by_laplace = _estimate(lambda theta: _laplace(theta, "logit"))
    assert by_laplace == pytest.approx(published, abs=6e-4)
    # What Laplace's approximation is off by here, against the exact integral: 0.004 at most.
    assert _estimate(lambda theta: _exact(theta, "logit")) == pytest.approx(published, abs=0.005)


def test_our_ep_finds_the_exact_mixed_model_estimates() -> None:
    """Probit, the link of the field model: EP is off by less than 1e-4, Laplace by about 1e-3."""
    exact = _estimate(lambda theta: _exact(theta, "probit"), 0.6)
    assert _estimate(_ep, 0.6) == pytest.approx(exact, abs=1e-4)
    at = np.array([1.8, 1.05, -0.93, 0.6, 0.45, 0.07, -0.41])
    assert _ep(at) == pytest.approx(_exact(at, "probit"), abs=2e-4)
    assert abs(_laplace(at, "probit") - _exact(at, "probit")) > 2e-4
