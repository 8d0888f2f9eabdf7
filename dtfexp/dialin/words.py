"""What a fit says of itself, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dtfexp.maths.scales import SCALE_PRIORS

if TYPE_CHECKING:
    from dtfexp.dialin.fit import Fit


def describe_fit(fit: Fit) -> str:
    """Several lines: data, learnt scales (with their priors), and how well they are known."""
    data, post = fit.posterior.data, fit.posterior
    lines = [f"Fit of {fit.session.name}"]
    for fabric in fit.session.fabrics:
        lines.append(f"  {fabric.name}: {fit.presses_used(fabric.name)} graded presses")
    lines.append(f"  {data.n} grades and measurements in all")
    lines.append("Scales, in grades (prior in brackets: centre, and about two thirds within):")
    learnt = {
        "amplitude": [s.amplitude for s in post.scales],
        "length": [s.length for s in post.scales],
        "interplay": [s.interplay for s in post.scales],
        "load luck": [s.load_sd for s in post.scales],
        "round luck": [s.round_sd for s in post.scales],
        "ceiling": [s.ceiling for s in post.scales],
    }
    for o, outcome in enumerate(fit.coding.outcomes):
        learnt[f"press noise, {outcome.name}"] = [float(s.noise[o]) for s in post.scales]
    priors = {p.name: p for p in SCALE_PRIORS}
    for name, values in learnt.items():
        prior = priors[name.split(",")[0]]
        mean = float(np.exp(post.weight @ np.log(values)))
        low, high = np.exp(prior.centre - prior.sd), np.exp(prior.centre + prior.sd)
        lines.append(
            f"  {name}: {mean:.2f}  [{np.exp(prior.centre):.2f}, {low:.2f} to {high:.2f}: "
            f"{prior.reason}]"
        )
    return "\n".join(lines)
