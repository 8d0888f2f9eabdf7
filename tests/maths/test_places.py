"""Presses at one place are added up first: that foretells what the rows one by one foretell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dtfexp.dialin.design.plan import plan
from dtfexp.dialin.fit import fit
from dtfexp.maths.field import field
from dtfexp.maths.inference.prediction import predict
from tests.dialin.bench import FOUR, graded


def test_the_sums_over_places_are_the_sums_over_rows() -> None:
    """Rasmussen & Williams 2006, eq. 3.60-3.61, written out row by row."""
    runs = plan(FOUR, 10, seed=2).runs
    for factor in FOUR.factors:  # three presses on one spot, two of them of one fabric
        runs.loc[[3, 4, 5], factor.name] = runs.loc[3, factor.name]
    results = graded(FOUR, runs)
    results.loc[7, "wash"] = np.nan
    fitted = fit(FOUR, results)
    post = fitted.posterior
    before = np.arange(post.data.n)[:, None] % 3 == 0  # a place before a change is another place
    for data in (post.data, replace(post.data, at=replace(post.data.at, before_change=before))):
        post = replace(post, data=data)
        distinct = {
            (*row.ravel(), fabric, data.at.before_change is not None and before[k, 0])
            for k, (row, fabric) in enumerate(zip(data.at.nodes, data.at.fabric, strict=True))
        }
        assert data.design_points.at.n == len(distinct) < data.n
        at = fitted.coding.points(runs.head(6), np.zeros(6, dtype=int))
        latent = predict(post, at)
        for j, scales in enumerate(post.integration_points):
            args = (post.shape, scales, post.prior)
            weights = post.weights(j)
            base, input_noise = field.covariance_and_input_noise(at, data.at, *args, weights)
            mean = field.prior_mean(at, *args)[:, None] + base @ weights
            assert latent.mean[j] == pytest.approx(mean, abs=1e-10)
            assert latent.input_noise[j] == pytest.approx(input_noise, abs=1e-10)
            own = field.variance(at, *args)[:, None, None] * post.outcome_correlation(j)
            links = post.whitened_cross(base, j)
            drop = [[(a * b).sum(axis=1) for b in links] for a in links]
            known = own - np.moveaxis(np.array(drop), -1, 0)
            assert latent.covariance[j] == pytest.approx(known, abs=1e-9)
