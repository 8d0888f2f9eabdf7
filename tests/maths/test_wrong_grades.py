"""The share of wrong grades integrated out, against fits at other shares."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import beta

from dtfexp import plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.hyperparameters import n_dimensions, to_hyperparameters
from dtfexp.maths.inference.site_fitting import fit_sites, grades_of
from dtfexp.maths.inference.wrong_grades import (
    expected_share,
    integrated_log_evidence,
    log_evidence_by_share,
    share_nodes,
)
from tests.dialin.bench import FOUR, graded

PRIOR = Prior()
SCALES = to_hyperparameters(np.zeros(n_dimensions(2)), 2)


def seen(wrong: int) -> Any:
    """Data of 16 presses, ``wrong`` of the best peels written down as the worst; all invented."""
    results = graded(FOUR, plan(FOUR, 16).runs, seed=4)
    best = results["peel"].sort_values(kind="stable").index[len(results) - wrong :]
    results.loc[best, "peel"] = 1.0
    coding = Coding(FOUR)
    return coding.data(results), coding


def fitted(wrong: int, shares: list[float]) -> Any:
    data, coding = seen(wrong)
    scales = [replace(SCALES, wrong_share=share) for share in shares]
    return fit_sites(data, coding.shape, PRIOR, coding.graded, scales), grades_of(
        data, coding.graded
    )


@pytest.mark.parametrize("wrong", [0, 2])
def test_the_evidence_at_other_shares_is_that_of_fits_with_them(wrong: int) -> None:
    shares = [0.003, 0.01, 0.04, 0.08]
    sites, grades = fitted(wrong, [PRIOR.wrong_share])
    told = log_evidence_by_share(sites, grades, PRIOR.wrong_share, np.array(shares))[0]
    again = fitted(wrong, shares)[0].log_evidence
    assert told == pytest.approx(again, abs=0.06)
    assert np.ptp(again) > 0.5, "the share says something here"


def test_the_share_is_integrated_over_its_prior() -> None:
    """By the mean over 60 quantiles of the beta prior, each with a fit of its own."""
    ends = (np.arange(60) + 0.5) / 60
    own = PRIOR.wrong_share * PRIOR.wrong_share_grades
    shares = beta(own, PRIOR.wrong_share_grades - own).ppf(ends)
    each, _ = fitted(2, list(shares))
    top = each.log_evidence.max()
    weight = np.exp(each.log_evidence - top)
    sites, grades = fitted(2, [PRIOR.wrong_share])
    exact = top + np.log(weight.mean())
    assert integrated_log_evidence(sites, grades, PRIOR)[0] == pytest.approx(exact, abs=0.03)
    mean = float(weight @ shares / weight.sum())
    assert expected_share(sites, grades, PRIOR) == pytest.approx(mean, rel=0.05)


def test_wrong_grades_raise_the_share_and_right_ones_lower_it() -> None:
    means = [expected_share(*fitted(wrong, [PRIOR.wrong_share]), PRIOR) for wrong in (0, 3)]
    assert means[0] < 0.018 and means[1] > 0.03


def test_nothing_seen_leaves_the_prior() -> None:
    nodes, weights = share_nodes(PRIOR)
    assert weights.sum() == pytest.approx(1.0)
    assert weights @ nodes == pytest.approx(0.02)
    # Variance of a beta variable: mean (1 - mean) / (its grades + 1).
    assert weights @ (nodes - 0.02) ** 2 == pytest.approx(0.02 * 0.98 / 101.0)
    sites, grades = fitted(0, [PRIOR.wrong_share])
    assert expected_share(sites, np.zeros(len(grades)), PRIOR) == pytest.approx(0.02)
    assert expected_share(sites, grades, Prior(wrong_share=0.0)) == 0.0


def test_each_setting_of_the_scales_has_its_own_share() -> None:
    both, one = fitted(2, [0.001, 0.05])[0], fitted(2, [0.05])[0]
    assert both.mean[1] == pytest.approx(one.mean[0], abs=1e-3)
    assert np.abs(both.mean[0] - both.mean[1]).max() > 0.05
