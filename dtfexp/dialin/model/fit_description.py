"""The description of a fit in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe.fields import count_phrase
from dtfexp.describe.html_text import escape
from dtfexp.describe.outcome import wash_series
from dtfexp.describe.summary import html_table
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.encode.wash_series import untied
from dtfexp.dialin.model.priors import FIXED_PRIORS
from dtfexp.maths.inference.hyperparameters import EYE_SHARE
from dtfexp.maths.inference.site_fitting import wrong_share

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


def experience_lines(fit: FittedModel) -> list[str]:
    """Return one line on the experience that the fit started from; none without one."""
    used = fit.session.experience
    if used is None:
        return []
    named = f"{used.name}, " if used.name else ""
    return [
        f"Started from experience ({named}{count_phrase(used.books, 'logbook')}): this bench fits "
        f"it {fit.experience_share():.0%}, and the general prior the rest."
    ]


def describe_fit(fit: FittedModel) -> str:
    """Return several lines: data, hyperparameters with their priors, and fixed priors."""
    data, post = fit.posterior.data, fit.posterior
    lines = [f"Fit of {fit.session.name}"]
    for fabric in fit.session.fabrics:
        lines.append(f"  {fabric.name}: {fit.presses_used(fabric.name)} graded presses")
    first = data.is_observed & data.is_first
    lines.append(f"  {first.sum()} grades and measurements in all")
    if again := int((~data.is_first).sum()):
        lines.append(f"  {count_phrase(again, 'grade')} given to the same coupons again")
    lines += experience_lines(fit)
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
    priors = {p.name: p for p in (*post.hyper_priors, EYE_SHARE)}
    learnt |= {
        "alike": [s.outcome_correlation for s in post.integration_points],
        "dose": [s.dose_share for s in post.integration_points],
    }
    eye = [s.eye_share for s in post.integration_points if s.eye_share is not None]
    if eye:
        learnt["eye"] = eye
    for name, values in learnt.items():
        prior = priors[name.split(",")[0]]
        mean = post.weight @ np.array(values)
        if not prior.is_share:
            mean = np.exp(post.weight @ np.log(values))
        low, middle, high = (prior.at(u) for u in (-1.0, 0.0, 1.0))
        lines.append(
            f"  {name}: {mean:.2f}  [{middle:.2f}, {low:.2f} to {high:.2f}: {prior.reason}]"
        )
    lines += _wrong_grades_line(fit)
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


def _wrong_grades_line(fit: FittedModel) -> list[str]:
    """Return one line on the share of wrong grades and its prior; none where all are measured."""
    post = fit.posterior
    if not any(post.grade_scales):
        return []
    found = [wrong_share(scales, post.prior) for scales in post.integration_points]
    return [
        f"  wrong grades: {post.weight @ found:.1%}  [{post.prior.wrong_share:.1%}, as if from "
        f"{post.prior.wrong_share_grades:.0f} grades: a grade may be a slip of the pen]"
    ]


def _shift_lines(fit: FittedModel) -> list[str]:
    """Return one line for each temperature moved by a noted change; none without a change."""
    post, lines = fit.posterior, []
    for change, kept in enumerate(post.prior.change_correlation):
        since = "the change before that" if change else "the change"
        told = _moved_by(fit, change)
        if told or kept < 1.0:
            lines.append(f"Since {since} (correlation of prints before and after {kept:.2f}):")
            lines += told
    return lines


def _moved_by(fit: FittedModel, change: int) -> list[str]:
    """Return one line for each temperature that a change may have moved; 0: the last change."""
    post, count = fit.posterior, len(fit.session.factors)
    moved, lines = post.shift(), []
    for column, before in enumerate(post.prior.shift_sd if moved is not None else ()):
        if not before or moved is None or column // count != change:
            continue
        factor = fit.session.factors[column % count]
        half = 0.5 * (factor.bounds[1] - factor.bounds[0])
        mean, sd = (half * float(known[column]) for known in moved)
        size, give, prior = (
            factor.format(round(float(v), 1)) for v in (abs(mean), sd, half * before)
        )
        lines.append(
            f"  {factor.name}: {size} {'hotter' if mean > 0 else 'cooler'} now, give or take {give}"
            f"  [none, give or take {prior}: what changed may have moved it]"
        )
    return lines


@dataclass(frozen=True)
class FitSummary:
    """A title; ``heads`` and ``rows`` of a table with one row per fabric; lines below it."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...]

    def text(self) -> str:
        """Return the text for a terminal: "cotton: 12 graded presses, peel 9 of 12 accepted"."""
        body = []
        for row in self.rows:
            told = zip(self.heads[1:], row[1:], strict=True)
            body.append(f"  {row[0]}: " + ", ".join(f"{head} {cell}" for head, cell in told))
        return "\n".join([self.title, *body, *(f"  {line}" for line in self.lines)])

    def html(self) -> str:
        """Return the same words as HTML for a notebook."""
        lines = "".join(f"<p>{escape(line)}</p>" for line in self.lines)
        title = f"<p><b>{escape(self.title)}</b></p>"
        return f'<div class="dtfexp-fit">{title}{html_table(self.heads, self.rows)}{lines}</div>'


def fit_summary(fit: FittedModel) -> FitSummary:
    """Return the summary of the data and the batch effects; calculates nothing new."""
    outcomes = fit.session.outcomes
    heads = ("fabric", "graded presses", *(f"{o.name} accepted" for o in outcomes), "left out")
    left_out = excluded_rows(fit.results)
    rows = []
    for fabric in fit.session.fabrics:
        mine = (fit.results["fabric"] == fabric.name).to_numpy(dtype=bool)
        used = fit.results[mine & ~left_out]
        cells = [fabric.name, str(fit.presses_used(fabric.name))]
        for o in outcomes:
            seen = used[o.name].dropna()
            waiting = len(used) - len(seen)
            passed = sum(o.passes(float(value)) for value in seen)
            cells.append(f"{passed} of {len(seen)}" + (f" ({waiting} to come)" if waiting else ""))
        rows.append((*cells, str(int((mine & left_out).sum()))))
    return FitSummary(f"Fit of {fit.session.name}", heads, tuple(rows), _lines(fit))


def _lines(fit: FittedModel) -> tuple[str, ...]:
    post = fit.posterior

    def middle(values: list[float]) -> float:
        return float(np.exp(post.weight @ np.log(values)))

    noise = middle([float(np.mean(s.noise)) for s in post.integration_points])
    first = fit.session.fabrics[0].name
    return (
        *_outlying_batches(fit),
        *not_settled(fit),
        *experience_lines(fit),
        "Luck, in grades: oven loads "
        f"{middle([s.load_sd for s in post.integration_points]):.2f}, press "
        f"rounds {middle([s.round_sd for s in post.integration_points]):.2f}, one press to "
        "the next "
        f"{noise:.2f}.",
        f"Ask it: window({first!r}), shares({first!r}), surprises(), batch_effects(), describe().",
    )


def _outlying_batches(fit: FittedModel) -> list[str]:
    """Return lines on settings that are surely typing errors: over a range beyond an end."""
    used = fit.results[~excluded_rows(fit.results)]
    lines = []
    for factor in fit.session.factors:
        if not factor.is_numeric:
            continue
        low, high = factor.bounds
        told = used[factor.name].astype(float)
        for place in np.flatnonzero(((told < 2 * low - high) | (told > 2 * high - low)).to_numpy()):
            value = factor.format(told.iloc[place])
            lines.append(
                f"Press {used['press'].iloc[place]}: {factor.name} {value} lies far outside its "
                "range and counts as just outside it; check the entry."
            )
    return lines
