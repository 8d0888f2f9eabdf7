"""Many presses: scales from some of them, everything else from all."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp import fit, plan
from dtfexp.maths.inference import infer, site_fitting
from tests.dialin.bench import FOUR, graded


@pytest.fixture(scope="module")
def results():
    return graded(FOUR, plan(FOUR, 40).runs)


def test_thinned_data_keep_whole_presses_spread_over_all(results) -> None:
    data = fit(FOUR, results).posterior.data
    few = infer.subsample(data, 30)
    assert infer.subsample(data, data.n) is data and few.n == 30
    made, counts = np.unique(few.press, return_counts=True)
    assert set(counts) == {2}
    assert made[0] == data.press.min() and made[-1] == data.press.max()
    rows = np.flatnonzero(np.isin(data.press, made))
    for name in ("outcome", "load", "round_", "grade", "spread", "input_noise"):
        assert np.array_equal(getattr(few, name), getattr(data, name)[rows])
    assert np.array_equal(few.at.nodes, data.at.nodes[rows])


def test_scales_of_some_presses_serve_all(results, monkeypatch) -> None:
    whole = fit(FOUR, results)
    monkeypatch.setattr(infer, "HYPERPARAMETER_ROWS", 50)
    thinned = fit(FOUR, results)
    assert thinned.posterior.data.n == whole.posterior.data.n == 80
    mesh = plan(FOUR, 40, design="latin hypercube").runs
    rates = [f.pass_rate(mesh, "cotton")["pass_rate"].to_numpy() for f in (whole, thinned)]
    assert np.abs(rates[0] - rates[1]).max() > 0
    assert np.abs(rates[0] - rates[1]).max() < 0.05


def test_sites_worked_out_a_few_scales_at_a_time_are_the_same(results, monkeypatch) -> None:
    post = fit(FOUR, results).posterior
    given = (post.data, post.shape, post.prior, post.grade_scales, list(post.integration_points))
    together = site_fitting.fit_sites(*given)
    monkeypatch.setattr(site_fitting, "_AT_ONCE", 3 * 80**2)
    apart = site_fitting.fit_sites(*given)
    assert apart.root.shape == together.root.shape
    assert apart.mean == pytest.approx(together.mean, abs=2e-3)
    assert apart.log_evidence == pytest.approx(together.log_evidence, abs=1e-3)
