"""Findings of a fit for one fabric, in the words of a shop, for a notebook cell."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.describe.html_text import escape
from dtfexp.describe.summary import html_table
from dtfexp.show.style.template import Shown
from dtfexp.show.text.fit_text import batch_effect_sentences, failure_sides_sentence
from dtfexp.show.text.number_format import between, label, per_cent

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.fit import Fit

_MOST_SURPRISES = 5


def show_learnt(fit: Fit, fabric: str | Fabric) -> Shown:
    """Return the important settings of a fabric, its failures and its surprises.

    Raises ``SessionError`` for an unknown fabric.
    """
    name = fit.session.fabric(fabric).name
    heads = ("setting", "share of pass or fail", "90 % interval")
    rows = [
        (
            label(str(row["setting"])),
            per_cent(row["in_all"]),
            between(row["in_all_low"], row["in_all_high"]),
        )
        for row in fit.shares(name).reset_index().to_dict("records")
    ]
    head = f"{name}: results of the test presses"
    lines = [
        "A setting's share includes its interactions with others, so shares may add up to more "
        "than 100 %.",
        failure_sides_sentence(fit, name),
        *_outlier_lines(fit, name),
    ]
    body = "".join(f"<p>{escape(line)}</p>" for line in lines)
    html = (
        f'<div class="dtfexp-learnt"><p><b>{escape(head)}</b></p>{html_table(heads, rows)}{body}'
        "</div>"
    )
    told = [f"  {setting}: {share} ({span})" for setting, share, span in rows]
    return Shown(html, "\n".join([head, *told, *lines]))


def _outlier_lines(fit: Fit, fabric: str) -> list[str]:
    """Return lines on grades to check, and on loads or rounds that stand out."""
    lines = []
    surprises = fit.surprises()
    mine = surprises[surprises["fabric"] == fabric]
    for row in mine.head(_MOST_SURPRISES).to_dict("records"):
        lines.append(
            f"Press {row['press']}, {label(row['outcome'])}: {row['grade']:g}, where "
            f"{row['predicted']:g} was predicted: {row['why']}."
        )
    if len(mine) > _MOST_SURPRISES:
        lines.append(f"{len(mine) - _MOST_SURPRISES} more entries are surprising.")
    if not len(mine):
        lines.append("No grade is far from its prediction.")
    return [*lines, *batch_effect_sentences(fit.batch_effects())]
