"""The table of the normal distribution function against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from dtfexp.maths.prediction.normal_cdf import normal_cdf


def test_it_is_scipys_between_and_at_the_places_of_its_table() -> None:
    x = np.concatenate([np.linspace(-9.4, 9.4, 40_001), np.arange(-4000, 4001) / 512])
    more = np.array([[0.0], [0.3]])
    assert np.abs(normal_cdf(x, more) - ndtr(x + more)).max() < 1e-10
    assert normal_cdf(x, more) == pytest.approx(ndtr(x + more), rel=2e-7, abs=0.0)


@pytest.mark.filterwarnings("ignore:invalid value")
def test_far_out_it_is_zero_and_one() -> None:
    found = normal_cdf(np.array([[-1e300, -1e9, -30.0], [1e300, 1e9, 30.0]]), np.array(0.2))
    assert found[0] == pytest.approx(0.0, abs=1e-20)
    assert found[1] == pytest.approx(1.0, abs=1e-15)


@pytest.mark.filterwarnings("ignore:invalid value")
def test_what_is_no_number_stays_none() -> None:
    assert np.isnan(normal_cdf(np.array([np.nan]), np.zeros(1))).all()
