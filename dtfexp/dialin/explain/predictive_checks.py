"""Leave-one-out checks of each press: grade counts, surprises, influence.

Each press is compared with its prediction from all others (Gelman, Meng & Stern 1996, Statistica
Sinica 6:733, posterior predictive checks; Vehtari et al. 2016, J. Mach. Learn. Res. 17(103),
leaving out one observation of a latent Gaussian model).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.encode.measured_scale import value_of_latent
from dtfexp.dialin.encode.wash_series import improvements_by_washing
from dtfexp.dialin.explain.without_press import moved_without
from dtfexp.dialin.model.posterior_surfaces import settings_at_unit_points
from dtfexp.maths.prediction.leave_one_out import (
    HeldOut,
    LeaveOneOut,
    LeftOut,
    PredictionsWithout,
)
from dtfexp.maths.prediction.pass_probability import pass_posterior

if TYPE_CHECKING:
    from dtfexp.describe.outcome import Outcome
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

CHECK_COLUMNS = ("outcome", "grade", "observed", "expected", "low", "high", "as_predicted")
SURPRISE_COLUMNS = ("press", "fabric", "outcome", "grade", "predicted", "chance", "why")
INFLUENCE_COLUMNS = ("press", "fabric", "grades", "bits", "moved")
#: Tail probability below which a grade is a surprise. On simulated benches it flags 2 of 100
#: correct grades and half of those written two grades too low (tests/bench/bench_understanding).
SURPRISE_LEVEL = 0.05
# So many of the first surprises are told with where the target would stand without their press.
_MOST_LEFT_OUT = 3
_QUARTERS = ("lowest quarter", "second quarter", "third quarter", "highest quarter")
_RANGE_POINTS = 64


def _places(fit: FittedModel) -> dict[int, int]:
    """Return the row in the used results for each press code, in the order of the data."""
    data = fit.posterior.data
    # Press codes follow the press numbers; the rows follow the frame.
    place = {code: row for row, code in enumerate(np.argsort(np.argsort(_used_rows(fit)["press"])))}
    return {code: place[code] for code in dict.fromkeys(data.press[data.is_observed].tolist())}


def _hold_out(fit: FittedModel, leave: LeaveOneOut, code: int) -> HeldOut:
    return leave.hold_out(np.flatnonzero(fit.posterior.data.press == code))


def _left_out(fit: FittedModel) -> LeftOut:
    """Return the first grades and measurements, each predicted from the other presses; kept."""
    if not fit._left_out:
        leave, first = LeaveOneOut(fit.posterior), fit.posterior.data.is_first
        parts = [_hold_out(fit, leave, code) for code in _places(fit)]
        every = LeftOut.of(parts or [leave.hold_out(np.zeros(0, dtype=int))])
        fit._left_out.append(every.take(np.flatnonzero(first[every.rows])))
    return fit._left_out[0]


def _used_rows(fit: FittedModel) -> pd.DataFrame:
    return fit.results[~excluded_rows(fit.results)].reset_index(drop=True)


def check_grades(fit: FittedModel) -> pd.DataFrame:
    """Return the posterior predictive check: observed and expected counts of each grade.

    Each press is predicted from all others. One row per outcome and grade; of a measured outcome
    one per quarter of its predictive distribution: ``observed``, ``expected``, ``low``, ``high``
    (95 % interval of the count), ``as_predicted``.
    """
    rows = []
    for o, outcome in enumerate(fit.coding.outcomes):
        below, cells = _predictive_of_grades(fit, o)
        if not len(cells):
            continue
        table = np.diff(below, axis=1, prepend=0.0, append=1.0)
        for cell, label in enumerate(_labels(outcome)):
            low, high = _count_interval(table[:, cell], 0.95)
            count, expected = int((cells == cell).sum()), float(table[:, cell].sum())
            as_predicted = low <= count <= high
            rows.append((outcome.name, label, count, expected, low, high, as_predicted))
    return pd.DataFrame(rows, columns=list(CHECK_COLUMNS))


def surprises(fit: FittedModel) -> pd.DataFrame:
    """Return grades far from their leave-one-out prediction, the most surprising first.

    ``press``, ``fabric``, ``outcome``, ``grade``, ``predicted`` (median grade), ``chance`` (of
    a grade at least this far out on its side, below 1 in 20), ``why``, of the first three with
    where the target would stand without the press. A later wash graded
    better than an earlier one by more than one step is listed last, with chance 0. No rows when
    nothing surprises. METHODS.md, section 14.
    """
    used, data = _used_rows(fit), fit.posterior.data
    left, places, rows = _left_out(fit), _places(fit), list[dict[str, Any]]()
    latent, (worse, better) = left.expected_quality(fit.posterior), _tail_probabilities(fit)
    for i in np.flatnonzero(np.minimum(worse, better) < SURPRISE_LEVEL):
        row = left.rows[i]
        o = int(data.outcome[row])
        side = "worse" if worse[i] < better[i] else "better"
        rows.append(
            _row(used, places[int(data.press[row])], fit.coding.outcomes[o])
            | {
                "predicted": _latent_to_grade(fit, o, float(latent[i])),
                "chance": float(min(worse[i], better[i])),
                "why": f"{side} than the other presses predict; check the entry, the "
                "readings and the coupon",
            }
        )
    rows.sort(key=lambda row: row["chance"])
    for press in dict.fromkeys(row["press"] for row in rows[:_MOST_LEFT_OUT]):
        moved = moved_without(fit, str(used.loc[used["press"] == press, "fabric"].iloc[0]), press)
        for row in rows:
            if row["press"] == press:
                row["why"] += f"; {moved}"
    rows[:0] = _doubtful_readings(fit, used)
    for place, earlier, later in improvements_by_washing(fit.session, used):
        first = f"{used[earlier.name].iloc[place]:g} after {earlier.washes}"
        rows.append(
            _row(used, place, later)
            | {
                "predicted": float(used[earlier.name].iloc[place]),
                "chance": 0.0,
                "why": f"better after {later.washes} washes than before ({first}); check both "
                "entries",
            }
        )
    return pd.DataFrame(rows, columns=list(SURPRISE_COLUMNS))


def _doubtful_readings(fit: FittedModel, used: pd.DataFrame) -> list[dict[str, Any]]:
    """Return readings that the fit does not believe, in the columns of the surprises."""
    rows = []
    for factor in fit.session.factors:
        name = f"{factor.name}_actual"
        if name not in used or not factor.is_numeric:
            continue
        for place in np.flatnonzero(fit.coding.is_doubtful(factor, used)):
            row = used.iloc[place]
            rows.append(
                {
                    "press": int(row["press"]),
                    "fabric": row["fabric"],
                    "outcome": name,
                    "grade": float(row[name]),
                    "predicted": float(row[factor.name]),
                    "chance": 0.0,
                    "why": f"a reading far from the {row[factor.name]:g} {factor.unit} set and "
                    "from the other readings; the fit uses what was set; correct the entry",
                }
            )
    return rows


def press_influence(fit: FittedModel) -> pd.DataFrame:
    """Return the influence of each graded press, the largest first.

    ``press``, ``fabric``, ``grades`` (number of them), ``bits`` (information on the quality at
    its own settings), ``moved`` (mean absolute change of its fabric's expected pass rate over
    the range without the press). METHODS.md, equation (36).
    """
    leave, used = LeaveOneOut(fit.posterior), _used_rows(fit)
    points = qmc.Sobol(len(fit.session.factors), scramble=True, seed=1).random(_RANGE_POINTS)
    predicted: dict[str, tuple[PredictionsWithout, Array]] = {}
    rows = []
    for code, place in _places(fit).items():
        left, fabric = _hold_out(fit, leave, code), str(used["fabric"].iloc[place])
        if fabric not in predicted:
            settings = settings_at_unit_points(fit, fabric, points)
            index = np.full(_RANGE_POINTS, fit.coding.fabric_index(fabric))
            at = PredictionsWithout(
                fit.posterior, fit.coding.points(settings, index, spread=False), leave
            )
            predicted[fabric] = at, pass_posterior(fit.posterior, at.whole).expected()
        at, whole = predicted[fabric]
        rate = pass_posterior(fit.posterior, at.without(left)).expected()
        bits = float(fit.posterior.weight @ left.information_bits)
        moved = float(np.mean(np.abs(whole - rate)))
        press = int(used["press"].iloc[place])
        rows.append((press, fabric, len(left.rows), bits, moved))
    rows.sort(key=lambda row: -row[4])
    return pd.DataFrame(rows, columns=list(INFLUENCE_COLUMNS))


def _row(used: pd.DataFrame, place: int, outcome: Outcome) -> dict[str, Any]:
    return {
        "press": int(used["press"].iloc[place]),
        "fabric": used["fabric"].iloc[place],
        "outcome": outcome.name,
        "grade": float(used[outcome.name].iloc[place]),
    }


def _labels(outcome: Outcome) -> tuple[str, ...]:
    if outcome.kind == "measured":
        return _QUARTERS
    return tuple(f"{grade:g}" for grade in outcome.grades)


def _predictive_of_grades(fit: FittedModel, o: int) -> tuple[Array, Ints]:
    """Return P(below each cut) (n, cuts) and the observed cell (n,) for grades of an outcome.

    The cells of a measured value are the quarters of its own predictive distribution, each equally
    probable.
    """
    post, left = fit.posterior, _left_out(fit)
    left = left.take(np.flatnonzero(post.data.outcome[left.rows] == o))
    scale = post.grade_scales[o]
    if scale is None:
        at = left.predictive_cdf(post, post.data.value[left.rows][:, None])
        below = np.tile([0.25, 0.5, 0.75], (len(at), 1))
        return below, np.minimum((4 * at[:, 0]).astype(int), 3)
    cuts = np.tile(scale.cuts, (len(left.rows), 1))
    return left.predictive_cdf(post, cuts), post.data.grade[left.rows]


def _tail_probabilities(fit: FittedModel) -> tuple[Array, Array]:
    """Return P(as seen or worse) and P(as seen or better) (R,), predicted from the others."""
    data, left = fit.posterior.data, _left_out(fit)
    ends = np.repeat(data.value[left.rows][:, None], 2, axis=1)
    for o, scale in enumerate(fit.posterior.grade_scales):
        if scale is not None:
            mine = data.outcome[left.rows] == o
            edges, grade = np.concatenate(([-np.inf], scale.cuts, [np.inf])), data.grade[left.rows]
            ends[mine] = np.stack([edges[grade[mine]], edges[grade[mine] + 1]], axis=1)
    low, high = left.predictive_cdf(fit.posterior, ends).T
    return high, 1.0 - low


def _latent_to_grade(fit: FittedModel, o: int, latent: float) -> float:
    """Return a latent value as a number of the outcome's scale."""
    outcome, scale = fit.coding.outcomes[o], fit.posterior.grade_scales[o]
    if scale is None:
        unit = fit.posterior.data.unit
        return float(value_of_latent(outcome, latent, 1.0 if unit is None else unit[o]))
    return float(outcome.grades[int(np.searchsorted(scale.cuts, latent))])


def _count_interval(chances: Array, level: float) -> tuple[int, int]:
    """Return the central interval of a sum of independent Bernoulli variables, exactly."""
    mass = np.ones(1)
    for chance in np.clip(chances, 0.0, 1.0):
        mass = np.convolve(mass, [1.0 - chance, chance])
    below = np.cumsum(mass)
    tail = 0.5 * (1.0 - level)
    low, high = (int(np.searchsorted(below, q)) for q in (tail, 1.0 - tail))
    return low, min(high, len(chances))
