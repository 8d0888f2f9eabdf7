"""An experience as the prior of one session: METHODS.md, equation (39)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe.experience import Experience
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import STAGE_CODE, Coding
from dtfexp.dialin.experience.classes import classes_of
from dtfexp.dialin.experience.learnt_moments import moments
from dtfexp.dialin.experience.shared_settings import (
    change_of_scale,
    coded_settings,
    from_table,
    known_terms,
)
from dtfexp.maths.field.general_trend import terms_of
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.field.points import CURE
from dtfexp.maths.field.trend import LearntTrend, TrendTerms
from dtfexp.maths.inference.hyperparameters import HYPER_PRIORS, HyperPrior, LearntPrior
from dtfexp.maths.inference.trend_message import expected_trend

Array = NDArray[np.float64]


def learnt_prior(session: Session) -> LearntPrior | None:
    """Return the prior that the session's experience is to it; None without one.

    None too where the experience knows none of its settings. METHODS.md, section 16.
    """
    experience = session.experience
    if experience is None:
        return None
    coding = Coding(session)
    own = coded_settings(session)
    shared = [from_table(table) for table in experience.content["settings"]]
    if not {s.key for s in own} & {s.key for s in shared}:
        return None
    back, known = change_of_scale(own, shared).T, known_terms(own, shared)
    general_mean, general = expected_trend(coding.shape, Prior())
    fresh = np.outer(~known, ~known) * general
    means = np.empty((len(session.fabrics), len(coding.outcomes), len(known)))
    covariance = np.zeros((len(known), len(known)))
    for f, fabric in enumerate(session.fabrics):
        for o, outcome in enumerate(coding.outcomes):
            mean, spread = moments(experience.content, classes_of(session, fabric, outcome))
            means[f, o] = np.where(known, back @ mean, general_mean)
            covariance += back @ spread @ back.T + fresh
    covariance /= means.shape[0] * means.shape[1]
    terms = terms_of(coding.shape)
    return LearntPrior(
        scale_priors(experience),
        LearntTrend(terms, means, *_pooled_root(covariance, terms, coding)),
        float(experience.content["share"]),
    )


def scale_priors(experience: Experience | None) -> tuple[HyperPrior, ...]:
    """Return the priors of the scales, with what the experience knows of them."""
    if experience is None:
        return HYPER_PRIORS
    told = {own["name"]: own for own in experience.content["scales"]}
    return tuple(
        replace(p, centre=float(told[p.name]["centre"]), sd=float(told[p.name]["sd"]))
        if p.name in told
        else p
        for p in HYPER_PRIORS
    )


def _pooled_root(covariance: Array, terms: TrendTerms, coding: Coding) -> tuple[Array, Array]:
    """Return a root (p, p) of a covariance, and how far two fabrics share each of its columns.

    The root is triangular with the cure's coefficients first: what these do not explain of the
    others is a fabric's own.
    """
    stage = [STAGE_CODE[coding.session.factors[k].stage] for k in terms.columns]
    cure = np.array([s == CURE for s in stage])
    i, j = terms.pairs
    of_cure = np.concatenate([[False], cure, cure, cure[i] & cure[j]])
    order = np.argsort(~of_cure, kind="stable")
    ridge = 1e-9 * np.trace(covariance) * np.eye(len(covariance))
    root = np.empty_like(covariance)
    root[order] = np.linalg.cholesky((covariance + ridge)[np.ix_(order, order)])
    prior = Prior()
    pools = np.where(of_cure, prior.fabric_cure, prior.fabric_press)
    pools[0] = prior.fabric_intercept
    return root, pools[order]
