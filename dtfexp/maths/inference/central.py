"""A posterior at one set of hyperparameters, its weighted middle."""

from __future__ import annotations

from dataclasses import replace
from itertools import compress

import numpy as np

from dtfexp.maths.field.parameters import Hyperparameters
from dtfexp.maths.inference.posterior import Posterior, fit_sites
from dtfexp.maths.inference.single_thread import single_threaded


@single_threaded
def at_central_hyperparameters(post: Posterior) -> Posterior:
    """Return the posterior at the weighted middle of the scales: to choose, not to promise.

    Of a mixture of two priors, the middle under the likelier one.
    """
    points, weights = post.integration_points, post.weight
    of_learnt = np.array([s.trend is not None for s in points])
    likelier = of_learnt == (weights @ of_learnt > 0.5)
    if not likelier.all():
        points = tuple(compress(points, likelier))
        weights = weights[likelier] / weights[likelier].sum()

    def middle(values: list[float]) -> float:
        return float(np.exp(weights @ np.log(values)))

    shift = None if points[0].shift is None else weights @ np.array([s.shift for s in points])
    scales = Hyperparameters(
        amplitude=middle([s.amplitude for s in points]),
        length=middle([s.length for s in points]),
        interaction=middle([s.interaction for s in points]),
        load_sd=middle([s.load_sd for s in points]),
        round_sd=middle([s.round_sd for s in points]),
        outcome_correlation=float(weights @ np.array([s.outcome_correlation for s in points])),
        ceiling=middle([s.ceiling for s in points]),
        dose_share=float(weights @ np.array([s.dose_share for s in points])),
        noise=np.exp(weights @ np.log(np.array([s.noise for s in points]))),
        shift=shift,
        trend=points[0].trend,
    )
    sites = fit_sites(post.data, post.shape, post.prior, post.grade_scales, [scales])
    return replace(post, integration_points=(scales,), weight=np.ones(1), sites=sites)
