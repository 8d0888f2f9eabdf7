"""The ordered likelihood on published data: weights, separation, weak priors."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.miscmodels.ordinal_model import OrderedModel

from dtfexp import Factor, Outcome, Session, fit
from dtfexp.dialin.fit import Fit
from dtfexp.maths.propagation.ordinal import cumulative_mode

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def residents() -> tuple[np.ndarray, np.ndarray]:
    """Venables & Ripley 2002, Modern Applied Statistics with S, 4th ed., housing example (data:
    Madsen 1976): 72 weighted rows as 1,681 residents; columns in the published order."""
    table = pd.read_csv(DATA / "housing.csv")
    rows = table.loc[table.index.repeat(table["Freq"])].reset_index(drop=True)
    columns = [("Infl", "Medium"), ("Infl", "High"), ("Type", "Apartment"), ("Type", "Atrium"),
               ("Type", "Terrace"), ("Cont", "High")]  # fmt: skip
    design = np.column_stack(
        [(rows[name] == level).to_numpy(dtype=float) for name, level in columns]
    )
    return design, rows["Sat"].map({"Low": 0, "Medium": 1, "High": 2}).to_numpy()


def test_housing_agrees_with_print(residents) -> None:
    """Coefficients, thresholds and deviance as printed (seen)."""
    mode = cumulative_mode(*residents, 3, link="logit")
    published = [0.5663937, 1.2888191, -0.5723501, -0.3661866, -1.0910149, 0.3602841]
    assert mode.slopes == pytest.approx(published, abs=2e-5)
    assert mode.cuts == pytest.approx([-0.4961353, 0.6907083], abs=2e-5)
    assert -2 * mode.log_lik == pytest.approx(3479.149, abs=5e-4)


def test_housing_by_probit_agrees_with_statsmodels(residents) -> None:
    design, grade = residents
    other = OrderedModel(grade, design, distr="probit").fit(method="bfgs", disp=False, gtol=1e-6)
    mode = cumulative_mode(design, grade, 3)
    assert mode.slopes == pytest.approx(other.params[:6], abs=1e-4)
    assert mode.log_lik == pytest.approx(other.llf, abs=1e-5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_benches_with_plenty_of_presses_agree_with_statsmodels(seed: int) -> None:
    """200 invented presses, four settings, unequal steps between grades."""
    rng = np.random.default_rng(seed)
    design = rng.uniform(-1, 1, (200, 4))
    latent = design @ [1.0, -0.5, 0.0, 2.0] + rng.normal(0, 1, 200)
    grade = np.searchsorted([-2.0, -1.5, 0.0, 2.0], latent)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = OrderedModel(grade, design, distr="probit")
        other = model.fit(method="bfgs", disp=False, gtol=1e-6)
    mode = cumulative_mode(design, grade, 5)
    assert mode.slopes == pytest.approx(other.params[:4], abs=2e-4)
    cuts = model.transform_threshold_params(other.params)[1:-1]
    assert mode.cuts == pytest.approx(cuts, abs=2e-4)


@pytest.fixture(scope="module")
def patients() -> pd.DataFrame:
    """Heinze & Schemper 2002, A solution to the problem of separation in logistic regression,
    Stat. Med. 21:2409: every patient with NV has a high grade."""
    return pd.read_csv(DATA / "endometrial.csv")


def test_endometrial_without_a_prior_is_the_published_limit(patients: pd.DataFrame) -> None:
    """The slope of NV runs off to infinity; the rest is the finite part, and the deviance, as
    printed (seen)."""
    grade = patients["HG"].to_numpy()
    mode = cumulative_mode(patients[["NV", "PI", "EH"]].to_numpy(float), grade, 2, link="logit")
    assert mode.slopes[0] > 8
    assert mode.slopes[1:] == pytest.approx([-0.04218, -2.90261], abs=5e-4)
    assert -mode.cuts[0] == pytest.approx(4.30452, abs=5e-3)
    assert -2 * mode.log_lik == pytest.approx(55.393, abs=1e-3)
    nothing = cumulative_mode(np.zeros((len(grade), 0)), grade, 2, link="logit")
    assert -2 * nothing.log_lik == pytest.approx(104.903, abs=5e-4)


def test_endometrial_with_a_weak_prior_is_finite_and_near_firth(patients: pd.DataFrame) -> None:
    """Inputs scaled to sd 0.5 and a normal prior of sd 2.5 on each slope.  Firth's estimates (seen)
    are NV 2.929 ± 1.551, PI -0.0348 ± 0.0396, EH -2.604 ± 0.776: within one standard error."""
    design = patients[["NV", "PI", "EH"]].to_numpy(dtype=float)
    scale = np.array([1.0, *(2 * design[:, 1:].std(axis=0, ddof=1))])
    grade = patients["HG"].to_numpy()
    mode = cumulative_mode(design / scale, grade, 2, link="logit", slope_sd=2.5)
    slopes = mode.slopes / scale
    firth, error = np.array([2.92927, -0.03475, -2.60416]), np.array([1.55076, 0.03958, 0.77602])
    assert (np.abs(slopes - firth) < error).all()
    assert 1.0 < slopes[0] < 5.0


@pytest.fixture(scope="module")
def grading(patients: pd.DataFrame) -> Fit:
    """The same data as if they were presses: three settings, one outcome, no shared luck."""
    factors = (
        Factor("NV", levels=("no", "yes"), stage="press", usual="no"),
        Factor("PI", 0, 50),
        Factor("EH", 0.25, 3.65),
    )
    session = Session("grading", factors, (Outcome("HG", kind="passfail"),), ("one",))
    results = patients.assign(press=range(1, 80), NV=patients["NV"].map({0: "no", 1: "yes"}))
    return fit(session, results)


def test_separated_data_get_finite_and_sensible_answers_from_the_whole_fit(grading: Fit) -> None:
    typical = {"PI": 17.0, "EH": 1.7}
    rates = grading.pass_rate(
        pd.DataFrame([{"NV": "no", **typical}, {"NV": "yes", **typical}, {"NV": "no", "PI": 17.0,
                                                                         "EH": 0.8}]), "one"
    )  # fmt: skip
    assert np.isfinite(rates.to_numpy()).all()
    assert rates["pass_rate"][1] > rates["pass_rate"][0] + 0.2  # NV raises the grade
    assert rates["pass_rate"][2] > rates["pass_rate"][0] + 0.2  # a low EH goes with a high grade
    assert rates["high"][1] < 1.0
    assert rates["low"][0] > 0.0


def test_bioassay_with_a_cauchy_prior() -> None:
    """Gelman, Jakulin, Pittau & Su 2008, A weakly informative default prior distribution for
    logistic and other regression models, Ann. Appl. Stat. 2:1360, four doses of five animals; all
    from memory.  Input scaled to mean 0 and sd 0.5 (n - 1 over the four doses).  Printed to one
    decimal: maximum likelihood 10.2 and -0.1, with the Cauchy(0, 2.5) prior 5.4 and -0.2;
    recomputed mode 5.35784 and -0.20895 (with a Cauchy(0, 10) on the intercept, flat here).

    A Cauchy prior is a normal one whose variance at the mode is (2.5^2 + slope^2) / 2: the two have
    the same gradient there.
    """
    doses = pd.read_csv(DATA / "bioassay.csv")
    z = (doses["x"] - doses["x"].mean()) / (2 * doses["x"].std())
    died = [[1] * y + [0] * (n - y) for y, n in zip(doses["y"], doses["n"], strict=True)]
    design = np.repeat(z.to_numpy(), doses["n"])[:, None]
    grade = np.concatenate(died).astype(int)
    flat = cumulative_mode(design, grade, 2, link="logit")
    assert (round(float(flat.slopes[0]), 1), round(float(-flat.cuts[0]), 1)) == (10.2, -0.1)
    slope = 5.3
    for _ in range(12):
        sd = np.sqrt((2.5**2 + slope**2) / 2)
        mode = cumulative_mode(design, grade, 2, link="logit", slope_sd=sd)
        slope = float(mode.slopes[0])
    assert (round(slope, 1), round(float(-mode.cuts[0]), 1)) == (5.4, -0.2)
    assert slope == pytest.approx(5.35784, abs=0.02)
