"""The description of a fit in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe.outcome import wash_series
from dtfexp.dialin.encode.wash_series import untied
from dtfexp.dialin.model.priors import FIXED_PRIORS

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel


def not_settled(fit: FittedModel) -> list[str]:
    """Return a warning line when the inference has not converged; none otherwise."""
    if fit.posterior.settled:
        return []
    return [
        "The numbers of this fit have not settled: treat its pass rates and windows as a first "
        "estimate, and confirm them with fresh presses before you sell."
    ]


def describe_fit(fit: FittedModel) -> str:
    """Return several lines: data, hyperparameters with their priors, and fixed priors."""
    data, post = fit.posterior.data, fit.posterior
    lines = [f"Fit of {fit.session.name}"]
    for fabric in fit.session.fabrics:
        lines.append(f"  {fabric.name}: {fit.presses_used(fabric.name)} graded presses")
    lines.append(f"  {data.is_observed.sum()} grades and measurements in all")
    lines.append("Scales, in grades (in brackets the prior: centre, and its middle two thirds):")
    learnt = {
        "amplitude": [s.amplitude for s in post.integration_points],
        "length": [s.length for s in post.integration_points],
        "interplay": [s.interaction for s in post.integration_points],
        "load luck": [s.load_sd for s in post.integration_points],
        "round luck": [s.round_sd for s in post.integration_points],
        "ceiling": [s.ceiling for s in post.integration_points],
    }
    for o, outcome in enumerate(fit.coding.outcomes):
        learnt[f"press noise, {outcome.name}"] = [
            float(s.noise[o]) for s in post.integration_points
        ]
    priors = {p.name: p for p in post.hyper_priors}
    learnt |= {
        "alike": [s.outcome_correlation for s in post.integration_points],
        "dose": [s.dose_share for s in post.integration_points],
    }
    for name, values in learnt.items():
        prior = priors[name.split(",")[0]]
        mean = post.weight @ np.array(values)
        if not prior.is_share:
            mean = np.exp(post.weight @ np.log(values))
        low, middle, high = (prior.at(u) for u in (-1.0, 0.0, 1.0))
        lines.append(
            f"  {name}: {mean:.2f}  [{middle:.2f}, {low:.2f} to {high:.2f}: {prior.reason}]"
        )
    lines += _shift_lines(fit)
    lines += not_settled(fit)
    for series in wash_series(fit.session.outcomes):
        names = ", ".join(o.name for o in series)
        lines.append(
            f"One quality after different numbers of washes: {names}. Their grades are modelled "
            "jointly; the quality after more washes is never above that after fewer."
        )
    if alone := untied(fit.session):
        names = " and ".join(o.name for o in alone)
        lines.append(
            f"Treated as different qualities: {names}. If one quality is judged again after more "
            'washes, give its outcomes one series in the session file, such as series = "wash".'
        )
    lines.append("Fixed: how far each part may lie from the prior mean, in grades:")
    for fixed in FIXED_PRIORS:
        lines.append(
            f"  {fixed.name}: {getattr(post.prior, fixed.attribute):.2f}  [{fixed.reason}]"
        )
    lines.append(
        f"The prior mean: {post.prior.intercept_mean:.1f} grades above the cut at the usual "
        f"settings, {post.prior.mean_curvature:.1f} less at either end of a range."
    )
    lines.append('Wider or narrower: fit(..., prior_width={"slope": 2}).')
    return "\n".join(lines)


def _shift_lines(fit: FittedModel) -> list[str]:
    """Return one line for each temperature moved by a noted change; none without a change."""
    post = fit.posterior
    moved, lines = post.shift(), []
    for column, before in enumerate(post.prior.shift_sd if moved is not None else ()):
        if not before or moved is None:
            continue
        factor = fit.session.factors[column]
        half = 0.5 * (factor.bounds[1] - factor.bounds[0])
        mean, sd = (half * float(known[column]) for known in moved)
        size, give, prior = (
            factor.format(round(float(v), 1)) for v in (abs(mean), sd, half * before)
        )
        lines.append(
            f"  {factor.name}: {size} {'hotter' if mean > 0 else 'cooler'} now, give or take {give}"
            f"  [none, give or take {prior}: what changed may have moved it]"
        )
    if lines or post.prior.change_correlation < 1.0:
        kept = f"{post.prior.change_correlation:.2f}"
        lines.insert(0, f"Since the change (correlation of prints before and after {kept}):")
    return lines
