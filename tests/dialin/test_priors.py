"""Priors by name: wider, narrower, refused; and grades of one coupon after more washes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import Fit, Outcome, Session, SessionError, fit, plan
from dtfexp.dialin.model.priors import FIXED_PRIORS
from dtfexp.maths.field.field import outcome_correlation
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.inference.hyperparameters import HYPER_PRIORS
from tests.dialin.bench import CURE, ONE, PRESS, graded


def _width(fitted: Fit, press: float) -> float:
    at = fitted.pass_rate(pd.DataFrame({ONE.factors[0].name: [press]}), ONE.fabrics[0])
    return float((at["high"] - at["low"]).iloc[0])


def test_a_wider_prior_leaves_more_open() -> None:
    results = graded(ONE, plan(ONE, 6).runs)
    end = ONE.factors[0].bounds[1]
    narrow, as_is, wide = (
        _width(fit(ONE, results, prior_width={"slope": k, "bend": k, "one setting": k}), end)
        for k in (0.2, 1.0, 3.0)
    )
    assert narrow < as_is < wide
    assert as_is == _width(fit(ONE, results), end)


def test_every_prior_can_be_named_and_is_described() -> None:
    names = [p.name for p in HYPER_PRIORS] + [f.name for f in FIXED_PRIORS]
    assert len(set(names)) == len(names)
    fitted = fit(ONE, graded(ONE, plan(ONE, 4).runs), prior_width=dict.fromkeys(names, 1.5))
    text = fitted.describe()
    for name in names:
        assert f"  {name}" in text
    for prior in HYPER_PRIORS:
        assert prior.reason in text
    assert fitted.posterior.prior.slope_sd == pytest.approx(1.5 * Prior().slope_sd)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"nosie": 2}, r"'nosie'; the priors are amplitude, .*press noise"),
        ({"slope": 0}, r"'slope': got 0; accepted a factor from 0.1 to 10"),
        ({"slope": True}, "'slope': got True"),
        ({"slope": float("nan")}, "accepted a factor"),
        ("slope", "accepted a dict"),
    ],
)
def test_a_prior_that_is_none_says_what_would_be_accepted(given: object, told: str) -> None:
    with pytest.raises(SessionError, match=told):
        fit(ONE, plan(ONE, 2).runs.assign(holds=1), prior_width=given)  # type: ignore[arg-type]


def test_a_wash_series_is_a_correlation_and_the_rest_stays_as_it_was() -> None:
    shape = FieldShape((0,), (False,), (), 4, series=(0, 1, 1, 1))
    found = outcome_correlation(shape, 0.4, Prior())
    assert np.diag(found) == pytest.approx(np.ones(4))
    assert np.linalg.eigvalsh(found).min() > 0
    assert found[0, 1:] == pytest.approx(0.4 * np.ones(3))
    assert found[1, 2] == pytest.approx(0.4 + 0.6 * Prior().series_correlation)
    plain = FieldShape((0,), (False,), (), 3)
    assert outcome_correlation(plain, 0.4, Prior())[0, 1:] == pytest.approx([0.4, 0.4])


def test_a_first_wash_tells_more_of_the_twentieth_than_another_quality_does() -> None:
    """Twelve presses fail their first wash grade; the twentieth is not judged yet."""

    def foretold(names: tuple[str, str], washes: tuple[int | None, int | None]) -> float:
        outcomes = [
            Outcome(n, washes=w, series="wash" if w else "")
            for n, w in zip(names, washes, strict=True)
        ]
        session = Session("t", (CURE, PRESS), outcomes, ("cotton",))
        results = plan(session, 12).runs
        results[names[0]] = 2.0
        results[names[1]] = float("nan")
        post = fit(session, results).posterior
        last = [post.outcome_correlation(j)[0, 1] for j in range(len(post.integration_points))]
        return float(post.weight @ np.array(last))

    tied = foretold(("wash 1", "wash 20"), (1, 20))
    apart = foretold(("peel", "wash 20"), (None, 20))
    assert tied > apart + 0.15


def test_a_fit_says_that_wash_grades_are_tied_and_do_not_rise() -> None:
    outcomes = [Outcome(f"wash {n}", washes=n, series="wash") for n in (1, 20)]
    apart = [Outcome(f"wash {n}", washes=n) for n in (1, 20)]
    for tied in (outcomes, outcomes[:1], apart):
        session = Session("t", (CURE, PRESS), tied, ("cotton",))
        blank = dict.fromkeys((o.name for o in tied), np.nan)
        told = fit(session, plan(session, 4).runs.assign(**blank)).describe()
        assert ("wash 1, wash 20. Their grades are modelled jointly; the quality" in told) == (
            tied is outcomes
        )
        assert ("as different qualities: wash 1 and wash 20. If" in told) == (tied is apart)
