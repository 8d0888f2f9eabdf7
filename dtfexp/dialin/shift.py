"""How much hotter a machine runs now than it did, told from presses made before and after.

A drifted oven or press, or a dial set anew after a repair, moves every temperature by about the
same amount.  The earlier presses know where the edges are; a few new ones show where they are now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.describe.units import convert_difference
from dtfexp.dialin.coding import Coding
from dtfexp.maths.field import Points, Prior
from dtfexp.maths.posterior import Data, run_sites
from dtfexp.maths.scales import SCALE_PRIORS, to_scales
from dtfexp.maths.scales import n_dimensions as scale_dimensions

Array = NDArray[np.float64]

#: Before any new press: drifts of this size (°C, standard deviation) are ordinary, and none beyond
#: the reach is looked for.  Common practice for the size of drifts, no source.
ORDINARY_C, REACH_C, STEP_C = 7.0, 16.0, 2.0


@dataclass(frozen=True)
class Shift:
    """``factor`` runs ``mean`` hotter than before (posterior mean, in its unit), give or take
    ``sd``; ``presses``: how many graded presses since the change say so."""

    factor: Factor
    mean: float
    sd: float
    presses: int

    def sentence(self) -> str:
        """In words."""
        size = self.factor.format(round(abs(self.mean), 1))
        if not self.presses:
            return f"How far {self.factor.name} has moved is not known yet."
        way = "hotter" if self.mean > 0 else "cooler"
        give = self.factor.format(round(self.sd, 1))
        return (
            f"At the same {self.factor.name} the machine seems to run {size} {way} than before, "
            f"give or take {give} (by {self.presses} presses)."
        )


def shifted(factor: Factor, results: pd.DataFrame, by: float) -> pd.DataFrame:
    """Earlier results on today's dial: a machine that runs ``by`` hotter reaches at a lower
    setting what it reached before.  Rows with a reading of what was reached need no shift."""
    moved = results.copy()
    column = moved[factor.name].to_numpy(dtype=float)
    moved[factor.name] = np.where(_dialled(factor, results), column - by, column)
    return moved


def estimate(
    session: Session, factor: Factor, results: pd.DataFrame, before: NDArray[np.bool_]
) -> Shift:
    """The shift of one temperature between the rows ``before`` (n,) of checked results and the
    others, by the evidence of each candidate shift at the central scales of the prior.

    The evidence of a Gaussian field whose inputs are moved by an unknown amount: the amount is one
    more hyperparameter (Rasmussen & Williams 2006, sec. 5.2), integrated on a grid.
    """
    coding = Coding(session)
    unit = convert_difference(1.0, "°C", factor.unit)
    outcomes = [outcome.name for outcome in coding.outcomes]
    seen = results[outcomes].notna().any(axis=1).to_numpy()
    new = int((seen & ~before).sum())
    if not new or not (seen & before).any():
        return Shift(factor, 0.0, ORDINARY_C * unit, new)
    data = coding.data(results)
    column = session.factors.index(factor)
    low, high = factor.bounds
    # Codes of a temperature are linear: half a range is one.
    per_degree = unit / (0.5 * (high - low))
    moves = np.isin(data.press, _codes_of(results, before & _dialled(factor, results)))
    candidates = np.arange(-REACH_C, REACH_C + 0.5 * STEP_C, STEP_C)
    scales = to_scales(np.zeros(scale_dimensions(len(outcomes))), len(outcomes), SCALE_PRIORS)
    evidence = np.array(
        [
            run_sites(
                _moved(data, column, moves, -by * per_degree), coding.shape, Prior(),
                coding.graded, [scales], tolerance=0.03, sweeps=15,
            ).log_evidence[0]
            for by in candidates
        ]
    )  # fmt: skip
    log_weight = evidence - 0.5 * (candidates / ORDINARY_C) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ candidates)
    sd = float(np.sqrt(weight @ (candidates - mean) ** 2))
    return Shift(factor, mean * unit, sd * unit, new)


def probe_offsets(factor: Factor) -> Sequence[float]:
    """Where four presses beside the old target tell a shift best: either side of it, far and near
    (in the factor's unit); the first two alone are on both sides."""
    unit = convert_difference(1.0, "°C", factor.unit)
    return [unit * REACH_C * share for share in (-0.75, 0.75, -0.25, 0.25)]


def _dialled(factor: Factor, results: pd.DataFrame) -> NDArray[np.bool_]:
    """Rows known by their dial only."""
    actual = f"{factor.name}_actual"
    if actual not in results:
        return np.ones(len(results), dtype=bool)
    return np.asarray(results[actual].isna().to_numpy(), dtype=bool)


def _codes_of(results: pd.DataFrame, rows: NDArray[np.bool_]) -> NDArray[np.int_]:
    """The codes that :meth:`Coding.data` gives to the presses of some rows: their place among the
    presses used, in ascending order."""
    used = results["press"].to_numpy()
    if "excluded" in results:
        keep = ~results["excluded"].to_numpy(dtype=bool)
        used, rows = used[keep], rows[keep]
    return np.searchsorted(np.sort(used), used[rows])


def _moved(data: Data, column: int, moves: NDArray[np.bool_], by: float) -> Data:
    nodes = data.at.nodes.copy()
    nodes[moves, column, :] += by
    return replace(data, at=Points(nodes, data.at.weights, data.at.fabric))
