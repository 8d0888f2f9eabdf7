"""A summary of a fit in a few lines, for the terminal and the notebook."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe.html_text import escape
from dtfexp.describe.summary import html_table
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.model.fit_description import not_settled

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel


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
