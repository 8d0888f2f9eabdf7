"""The parts of what is learnt from logbooks, each by hand or by brute force, without a fit."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp import Factor, Outcome, Session
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.experience.learnt_moments import moments, square
from dtfexp.dialin.experience.learnt_prior import _pooled_root, scale_priors
from dtfexp.dialin.experience.moves import KEPT, Kept, Move, learnt_moves
from dtfexp.dialin.experience.shared_settings import CodedSetting, coded_settings, shared_shape
from dtfexp.maths.field.general_trend import terms_of
from dtfexp.maths.inference.hyperparameters import HYPER_PRIORS

OVEN = Factor("cure temperature", 230, 300, "°F", 5, "cure", usual=260)
LONG = Factor("cure time", 30, 120, "s", 5, "cure", usual=60)
SHORT = Factor("press time", 10, 15, "s", 1, usual=12)
BELT = Factor("cure speed", 0.5, 2, "m/min", 0.1, "cure", usual=1)
FIRM = Factor("pressure", levels=("light", "medium", "firm", "hard"), ordered=True, usual="medium")
DIAL = Factor("press dial", 1, 9, "", 1, usual=5)


def test_means_and_covariances_of_common_part_and_classes_add_up() -> None:
    """Of two unknowns: (1, 2) common, (0.5, -1) more for cotton.  Covariances: between benches
    diag(1, 2); common 0.1 everywhere, cotton diag(0.2, 0.3), together 0.05 everywhere."""
    content = {
        "common": [1.0, 2.0],
        "classes": {"fabric:nylon": [9.0, 9.0], "fabric:cotton": [0.5, -1.0]},
        "between": [1.0, 0.0, 2.0],
        "new_class": {"fabric": [0.4, 0.1, 0.7]},
        # Lower triangle over common, nylon, cotton.
        "joint": [
            *(0.1,),
            *(0.1, 0.1),
            *(7.0, 7.0, 7.0),
            *(7.0, 7.0, 7.0, 7.0),
            *(0.05, 0.05, 7.0, 7.0, 0.2),
            *(0.05, 0.05, 7.0, 7.0, 0.0, 0.3),
        ],
    }
    mean, covariance = moments(content, ["fabric:cotton"])
    assert mean.tolist() == [1.5, 1.0]
    # 0.1 + twice 0.05 everywhere, and the two diagonals.
    assert covariance == pytest.approx(np.array([[1.4, 0.2], [0.2, 2.5]]))
    mean, covariance = moments(content, ["fabric:felt"])
    assert mean.tolist() == [1.0, 2.0]
    assert covariance == pytest.approx(np.array([[1.5, 0.2], [0.2, 2.8]]))
    assert square([1.0, 2.0, 3.0]).tolist() == [[1.0, 2.0], [2.0, 3.0]]


def test_rounding_leaves_a_covariance_and_no_more_than_that() -> None:
    """Eigenvalues 100, 0.01 and -1e-6: the last becomes 1e-9 of the first, the others stay."""
    zero = [0.0] * 6
    between = [100.0, 0.0, 0.01, 0.0, 0.0, -1e-6]
    content = {"common": [0.0] * 3, "classes": {}, "between": between, "joint": zero}
    _, covariance = moments(content, [])
    assert np.linalg.eigvalsh(covariance) == pytest.approx([1e-7, 0.01, 100.0], rel=1e-6)


def test_how_far_changes_move_against_brute_force() -> None:
    """Each move integrated out on a grid, and tau on another: N(x; 0, tau^2) times what was seen,
    ln tau normal about the general sd, 4 °C, with sd 0.5."""
    seen = [Move.of("powder", "cure", 4.0, m, sd) for m, sd in ((6.0, 1.5), (-2.0, 2.0), (1, 3.95))]
    tau = 4.0 * np.exp(np.linspace(-2.5, 2.5, 1001))[:, None]
    x = np.linspace(-60, 60, 4001)
    log = -0.5 * (np.log(tau[:, 0] / 4.0) / 0.5) ** 2
    for mean, sd in ((6.0, 1.5), (-2.0, 2.0), (1.0, 3.95)):
        likelihood = np.exp(-0.5 * ((x - mean) / sd) ** 2 + 0.5 * (x / 4.0) ** 2)
        log += np.log(np.sum(np.exp(-0.5 * (x / tau) ** 2) / tau * likelihood, axis=1))
    weight = np.exp(log - log.max())
    wanted = np.sqrt(np.sum(weight * tau[:, 0] ** 2) / weight.sum())
    learnt = learnt_moves([(seen[:1], ()), (seen[1:], ())])["powder"]
    assert learnt["books"] == 2
    assert learnt["sd"]["cure"] == pytest.approx(wanted, rel=2e-3)
    # Moves so far that their likelihood is past what a number holds: the same in closed form,
    # 60 +- 0.5 without the prior being 60.95 +- 0.504.
    far = learnt_moves([([Move.of("powder", "cure", 4.0, 60.0, 0.5)] * 3, ())])["powder"]["sd"][
        "cure"
    ]
    wide = tau[:, 0] ** 2 + 1.0 / 3.9375
    log = -0.5 * (np.log(tau[:, 0] / 4.0) / 0.5) ** 2 - 1.5 * (np.log(wide) + 60.952**2 / wide)
    weight = np.exp(log - log.max())
    assert far == pytest.approx(np.sqrt(weight @ tau[:, 0] ** 2 / weight.sum()), rel=2e-3)


def test_how_much_changes_keep_against_brute_force() -> None:
    """The Beta(19, 1) prior of mean 0.95 and each logbook's evidence, on a fine grid."""

    def kept(*centres: float) -> float:
        told = [
            Kept("film", 0.95, tuple(-0.5 * ((KEPT - centre) / 0.15) ** 2)) for centre in centres
        ]
        return learnt_moves([((), (one,)) for one in told])["film"]["kept"]

    def wanted(*centres: float) -> float:
        share = np.linspace(0.0, 1.0, 20_001)[1:]
        weight = share**18
        for centre in centres:
            weight = weight * np.exp(-0.5 * ((share - centre) / 0.15) ** 2)
        return float(weight @ share / weight.sum())

    for centres in ((0.9,), (0.7,), (0.7, 0.8, 0.75), (0.8,) * 30):
        assert kept(*centres) == pytest.approx(wanted(*centres), abs=0.012), centres
    nothing = learnt_moves([((), (Kept("film", 0.95, (0.0,) * len(KEPT)),))])["film"]
    assert nothing == {"sd": {}, "kept": pytest.approx(0.95, abs=0.005), "books": 1}


@pytest.mark.parametrize(
    ("factor", "unit", "share"),
    [(OVEN, "°C", 5 / 9), (LONG, "s", 1.0), (BELT, "m/min", 1.0), (DIAL, "", 1.0)],
    ids=lambda x: getattr(x, "name", None),
)
def test_a_code_is_the_same_setting_on_the_shared_scale(factor, unit, share) -> None:
    """The ends of the range and the usual setting, in the unit that sessions share."""
    coding = Coding(Session("s", (factor,), (Outcome("peel"),), ("cotton",)))
    shared = CodedSetting.of(factor, "key")
    assert shared.unit == unit
    for at in (factor.low, factor.usual, factor.high):
        wanted = (at - 32.0) * share if factor is OVEN else at
        assert shared.value(float(coding.code(factor, at))) == pytest.approx(wanted)


def test_a_narrow_time_acts_by_its_logarithm_near_the_usual_one() -> None:
    """10 to 15 s about 12: a code is 2.5 s, 2.5 / 12 of the logarithm.  Four ordered words: a code
    is one and a half places."""
    shared = CodedSetting.of(SHORT, "key")
    assert (shared.log, shared.half) == (True, pytest.approx(2.5 / 12))
    assert shared.value(0.0) == pytest.approx(12.0)
    words = CodedSetting.of(FIRM, "key")
    assert (words.centre, words.half, words.value(1.0)) == (1, 1.5, 2.5)


def test_settings_are_known_by_stage_and_what_they_measure() -> None:
    session = Session("s", (OVEN, LONG, SHORT, FIRM, DIAL), (Outcome("peel"),), ("cotton",))
    settings = coded_settings(session)
    assert [one.key for one in settings] == [
        "cure temperature",
        "cure time",
        "press time",
        "peel pressure (light, medium, firm, hard)",
        "press dial",
    ]
    # Oven temperature and time make a dose, the press time is of another stage.
    assert shared_shape(settings).trade_off == ((0, 1),)


def test_two_fabrics_share_the_intercept_half_the_cure_nearly_and_the_press_partly() -> None:
    """With independent coefficients the share of each is its own: 0.5, 0.93 for what is cure
    alone, 0.6 for press and cure with press.  With dependent ones the covariance is kept."""
    session = Session("s", (SHORT, OVEN), (Outcome("peel"),), ("cotton",))
    coding = Coding(session)
    terms = terms_of(coding.shape)
    own = np.diag([2.0, 1.0, 3.0, 0.5, 0.7, 0.9])  # 1, press, cure, press^2, cure^2, both
    root, pools = _pooled_root(own, terms, coding)
    shared = np.diag((root * pools) @ root.T) / np.diag(own)
    assert shared == pytest.approx([0.5, 0.6, 0.93, 0.6, 0.93, 0.6], rel=1e-6)
    draws = np.random.default_rng(0).normal(size=(6, 9))
    whole = draws @ draws.T
    root, _ = _pooled_root(whole, terms, coding)
    assert root @ root.T == pytest.approx(whole, rel=1e-6, abs=1e-6)


def test_without_experience_the_scales_have_the_general_priors() -> None:
    assert scale_priors(None) == HYPER_PRIORS
