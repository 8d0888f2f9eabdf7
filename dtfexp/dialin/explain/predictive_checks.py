"""Leave-one-out checks of each press: grade counts, surprises, influence.

Each press is compared with its prediction from all others (Gelman, Meng & Stern 1996, Statistica
Sinica 6:733, posterior predictive checks; Vehtari et al. 2016, J. Mach. Learn. Res. 17(103),
leaving out one observation of a latent Gaussian model).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
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
from dtfexp.maths.prediction.leave_one_out import HeldOut, LeaveOneOut, PredictionsWithout
from dtfexp.maths.prediction.pass_probability import pass_posterior

if TYPE_CHECKING:
    from dtfexp.describe.outcome import Outcome
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

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


@dataclass(frozen=True)
class _HeldOutPress:
    """One press: its row of the used results, and the prediction of its grades."""

    row: int
    left: HeldOut


def _held_out_presses(fit: FittedModel, leave: LeaveOneOut) -> Iterator[_HeldOutPress]:
    """Yield every press with a grade, in the order of the results."""
    data = fit.posterior.data
    # Press codes follow the press numbers; the rows follow the frame.
    place = {code: row for row, code in enumerate(np.argsort(np.argsort(_used_rows(fit)["press"])))}
    for code in dict.fromkeys(data.press[data.is_observed].tolist()):
        yield _HeldOutPress(place[code], leave.hold_out(np.flatnonzero(data.press == code)))


def _used_rows(fit: FittedModel) -> pd.DataFrame:
    return fit.results[~excluded_rows(fit.results)].reset_index(drop=True)


def check_grades(fit: FittedModel) -> pd.DataFrame:
    """Return the posterior predictive check: observed and expected counts of each grade.

    Each press is predicted from all others. One row per outcome and grade; of a measured outcome
    one per quarter of its predictive distribution: ``observed``, ``expected``, ``low``, ``high``
    (95 % interval of the count), ``as_predicted``.
    """
    leave = LeaveOneOut(fit.posterior)
    chances: dict[int, list[Array]] = {o: [] for o in range(len(fit.coding.outcomes))}
    observed: dict[int, list[int]] = {o: [] for o in chances}
    for seen in _held_out_presses(fit, leave):
        for o, below, cell in _predictive_of_grades(fit, leave, seen.left):
            chances[o].append(np.diff(below, prepend=0.0, append=1.0))
            observed[o].append(cell)
    rows = []
    for o, outcome in enumerate(fit.coding.outcomes):
        if not observed[o]:
            continue
        table = np.array(chances[o])
        for cell, label in enumerate(_labels(outcome)):
            low, high = _count_interval(table[:, cell], 0.95)
            count, expected = observed[o].count(cell), float(table[:, cell].sum())
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
    leave, used, data = LeaveOneOut(fit.posterior), _used_rows(fit), fit.posterior.data
    rows: list[dict[str, Any]] = []
    for seen in _held_out_presses(fit, leave):
        latent = leave.expected_quality(seen.left)
        for i, row in enumerate(seen.left.rows):
            o = int(data.outcome[row])
            worse, better = _tail_probabilities(fit, leave, seen.left, i)
            if min(worse, better) >= SURPRISE_LEVEL or not data.is_first[row]:
                continue
            outcome = fit.coding.outcomes[o]
            side = "worse" if worse < better else "better"
            rows.append(
                _row(used, seen.row, outcome)
                | {
                    "predicted": _latent_to_grade(fit, o, float(latent[i])),
                    "chance": float(min(worse, better)),
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
    for seen in _held_out_presses(fit, leave):
        fabric = str(used["fabric"].iloc[seen.row])
        if fabric not in predicted:
            settings = settings_at_unit_points(fit, fabric, points)
            index = np.full(_RANGE_POINTS, fit.coding.fabric_index(fabric))
            at = PredictionsWithout(
                fit.posterior, fit.coding.points(settings, index, spread=False), leave
            )
            predicted[fabric] = at, pass_posterior(fit.posterior, at.whole).expected()
        at, whole = predicted[fabric]
        rate = pass_posterior(fit.posterior, at.without(seen.left)).expected()
        bits = float(fit.posterior.weight @ seen.left.information_bits)
        moved = float(np.mean(np.abs(whole - rate)))
        press = int(used["press"].iloc[seen.row])
        rows.append((press, fabric, len(seen.left.rows), bits, moved))
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


def _predictive_of_grades(
    fit: FittedModel, leave: LeaveOneOut, left: HeldOut
) -> Iterator[tuple[int, Array, int]]:
    """Yield outcome, P(below each cut) and observed cell, for every grade of a press.

    The cells of a measured value are the quarters of its own predictive distribution, each equally
    probable.
    """
    data = fit.posterior.data
    for i, row in enumerate(left.rows):
        if not data.is_first[row]:
            continue
        o = int(data.outcome[row])
        scale = fit.posterior.grade_scales[o]
        if scale is None:
            at = float(leave.predictive_cdf(left, _value_column(left, i, data.value[row]))[i, 0])
            yield o, np.array([0.25, 0.5, 0.75]), min(int(4 * at), 3)
        else:
            cuts = np.tile(scale.cuts, (len(left.rows), 1))
            yield o, leave.predictive_cdf(left, cuts)[i], int(data.grade[row])


def _tail_probabilities(
    fit: FittedModel, leave: LeaveOneOut, left: HeldOut, i: int
) -> tuple[float, float]:
    """Return P(this grade or worse) and P(this grade or better), predicted from the others."""
    row = left.rows[i]
    data = fit.posterior.data
    scale = fit.posterior.grade_scales[int(data.outcome[row])]
    if scale is None:
        at = float(leave.predictive_cdf(left, _value_column(left, i, data.value[row]))[i, 0])
        return at, 1.0 - at
    edges = np.concatenate(([-np.inf], scale.cuts, [np.inf]))
    grade = int(data.grade[row])
    ends = np.tile(edges[[grade, grade + 1]], (len(left.rows), 1))
    low, high = leave.predictive_cdf(left, ends)[i]
    return float(high), float(1.0 - low)


def _value_column(left: HeldOut, i: int, value: float) -> Array:
    out = np.zeros((len(left.rows), 1))
    out[i, 0] = value
    return out


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
