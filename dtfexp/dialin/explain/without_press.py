"""What a fabric's target would be if one press had not been made."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe.fields import and_list
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.window.find_window import target_of
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.site_fitting import fit_settled_sites

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

_PASS_RATE = 0.90


def fit_without(fit: FittedModel, press: int) -> FittedModel:
    """Return the fit of the other presses, at the hyperparameters of all."""
    used = fit.results[~excluded_rows(fit.results)]["press"]
    # Press codes follow the press numbers.
    code = int((used < press).sum())
    results = fit.results[fit.results["press"] != press].reset_index(drop=True)
    return type(fit)(fit.session, results, _posterior_without(fit.posterior, code))


def _posterior_without(post: Posterior, press: int) -> Posterior:
    """Return the posterior without the rows of one press code."""
    kept = np.flatnonzero(post.data.press != press)
    data, points = post.data.rows(kept), list(post.integration_points)
    # Few of the other presses' sites move, and those by little.
    start = post.sites.start(kept)
    sites = fit_settled_sites(data, post.shape, post.prior, post.grade_scales, points, start)
    return replace(post, data=data, sites=sites)


def moved_without(fit: FittedModel, fabric: str, press: int) -> str:
    """Return in words where the fabric's target would stand without a press.

    A setting counts as moved when it is off by more than its spread (its step where it has none).
    """
    before = target_of(fit, fabric, _PASS_RATE)
    after = target_of(fit_without(fit, press), fabric, _PASS_RATE)
    moved = [
        f"{f.name} {f.format(before[f.name])} to {f.format(after[f.name])}"
        for f in fit.session.factors
        if (
            abs(after[f.name] - before[f.name]) > grids.width_unit(f)
            if f.is_numeric
            else after[f.name] != before[f.name]
        )
    ]
    if not moved:
        return f"without press {press} the target stays"
    return f"without press {press} the target moves: {and_list(moved)}"
