"""The fit against stored draws of a general sampler, the same model written independently.

The answers in ``data/reference_draws.json`` were made by ``tests/bench/reference_draws.py``
(Hamiltonian Monte Carlo: Hoffman & Gelman 2014, J. Mach. Learn. Res. 15:1593), each with its own
Monte Carlo error.  Grades are invented.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.field.points import CURE, PEEL, PRESS, FieldShape, Points
from dtfexp.maths.inference.hyperparameters import HYPER_PRIORS, to_hyperparameters
from dtfexp.maths.inference.infer import infer
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.inference.site_fitting import data_batch_covariance, data_covariance, data_mean
from dtfexp.maths.prediction.pass_probability import pass_posterior

FILE = Path(__file__).parent / "data" / "reference_draws.json"
CASES: dict[str, dict[str, Any]] = json.loads(FILE.read_text(encoding="utf-8"))
STAGE = {"cure": CURE, "press": PRESS, "peel": PEEL}
#: Centre and sd, on the log or logit scale, of the priors under which the answers were drawn
#: (``scales_of`` in ``tests/bench/general_sampler.py``): those of the fit may change.
DRAWN_UNDER = (
    (np.log(1.0), 0.40), (np.log(0.5), 0.35), (np.log(0.8), 0.40), (np.log(0.13), 0.40),
    (np.log(0.13), 0.40), (0.0, 1.0), (np.log(1.5), 0.20), (-0.8, 2.1), (np.log(0.27), 0.28),
)  # fmt: skip
HYPER = tuple(
    replace(one, centre=centre, sd=sd)
    for one, (centre, sd) in zip(HYPER_PRIORS, DRAWN_UNDER, strict=True)
)
# The answers take every grade for right, and half of a batch effect for common to the outcomes.
PRIOR = Prior(wrong_share=0.0, batch_common=0.5)


def _points(settings: list[list[float]], fabric: list[int]) -> Points:
    return Points(np.array(settings)[:, :, None], np.ones(1), np.array(fabric))


def _session(case: dict[str, Any]) -> tuple[Data, FieldShape]:
    shape = FieldShape(
        stage=tuple(STAGE[s] for s in case["stage"]),
        is_category=tuple(case["word"]),
        trade_off=tuple((i, j) for i, j in case["trade_off"]),
        n_outcomes=len(case["cuts"]),
        series=tuple(case.get("series", ())),
        wash_order=tuple((int(a), int(b), by) for a, b, by in case.get("falls", ())),
    )
    codes = {k: np.array(case[k]) for k in ("outcome", "load", "round", "press", "grade")}
    data = Data(
        at=_points(case["settings"], case["fabric"]),
        outcome=codes["outcome"],
        load=codes["load"],
        round_=codes["round"],
        block=np.full(len(codes["press"]), -1),
        press=codes["press"],
        grade=codes["grade"],
        value=np.array([np.nan if v is None else v for v in case["value"]]),
    )
    return data.with_monotone_rows(shape.wash_order), shape


@cache
def _fitted(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean and sd of the field (M, O) and expected pass rate (M,) of our fit."""
    case = CASES[name]
    data, shape = _session(case)
    graded = tuple(
        None if c is None else GradeScale(np.array(c), estimate_steps=False) for c in case["cuts"]
    )
    post = infer(data, shape, graded, PRIOR, hyper_priors=HYPER)
    latent = predict(post, _points(case["points"], case["points_fabric"]))
    mean = np.einsum("j,jmo->mo", post.weight, latent.mean)
    within = np.diagonal(latent.covariance, axis1=-2, axis2=-1)
    square = within + (latent.mean - mean) ** 2
    sd = np.sqrt(np.einsum("j,jmo->mo", post.weight, square))
    return mean, sd, pass_posterior(post, latent).expected()


def _reference(name: str, key: str) -> np.ndarray:
    return np.array(CASES[name]["reference"][key])


@pytest.mark.parametrize("name", CASES)
def test_both_writings_are_of_one_model(name: str) -> None:
    """Scales, mean and covariance of the field where it was graded, and covariance of the luck, at
    scales drawn at random."""
    data, shape = _session(CASES[name])
    prior = CASES[name]["prior"]
    scales = to_hyperparameters(np.array(prior["u"]), shape.n_outcomes, HYPER)
    assert scales.noise == pytest.approx(np.array(prior["noise"]), abs=1e-6)
    assert scales.ceiling == pytest.approx(prior["ceiling"], abs=1e-6)
    rows = np.array(prior["rows"])
    mean = data_mean(data, shape, scales, PRIOR)[rows]
    assert mean == pytest.approx(np.array(prior["mean"]), abs=1e-6)
    covariance = data_covariance(data, shape, scales, PRIOR)[np.ix_(rows, rows)]
    assert covariance == pytest.approx(np.array(prior["covariance"]), abs=1e-6)
    graded = rows[rows < len(CASES[name]["outcome"])]
    luck = data_batch_covariance(data, scales, PRIOR)[np.ix_(graded, graded)]
    assert luck == pytest.approx(np.array(prior["luck"]), abs=1e-6)


def test_the_reference_has_converged() -> None:
    """R-hat near one (Gelman & Rubin 1992) and errors well below what is asked of the fit."""
    assert len(CASES) == 9
    for name, case in CASES.items():
        assert case["reference"]["r_hat"] < 1.02, name
        assert _reference(name, "pass_rate_error").max() < 0.01, name
        assert (_reference(name, "mean_error") / _reference(name, "sd")).max() < 0.035, name


@pytest.mark.parametrize("name", CASES)
def test_the_fit_as_it_is_used(name: str) -> None:
    """A tenth of a posterior sd, a tenth of the sd, 0.02 of pass rate, as an everyday fit gives it.

    Each with three of the sampler's own standard errors.
    """
    mean, sd, pass_rate = _fitted(name)
    reference = _reference(name, "sd")
    gap = np.abs(mean - _reference(name, "mean"))
    assert np.all(gap <= 0.1 * reference + 3 * _reference(name, "mean_error"))
    off = np.abs(sd - reference)
    assert np.all(off <= 0.1 * reference + 3 * _reference(name, "sd_error"))
    off = np.abs(pass_rate - _reference(name, "pass_rate"))
    assert np.all(off <= 0.02 + 3 * _reference(name, "pass_rate_error"))
    assert off.mean() <= 0.01
