"""Sentences on the findings of a fit, shared by the report and the notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.describe.fields import and_list, count_phrase
from dtfexp.dialin.confirm import press_verdicts
from dtfexp.dialin.evaluate.agreement import agreements
from dtfexp.dialin.explain.failure_sides import HOLDS, UNKNOWN
from dtfexp.show.text.number_format import label, per_cent

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.dialin.fit import Fit


def failure_sides_sentence(fit: Fit, fabric: str) -> str:
    """Return one sentence on how the failed presses of a fabric look."""
    words = press_verdicts.verdict_of_presses(fit.session, fit.results)
    mine = fit.results["fabric"].tolist()
    rows = [
        k for k, word in enumerate(words) if word == press_verdicts.FAILED and mine[k] == fabric
    ]
    if not rows:
        return "No press of this fabric failed."
    settings = fit.results[[f.name for f in fit.session.factors]].iloc[rows]
    # A press that failed where most pass did so by chance, on neither side.
    looks = fit.failure_sides(settings, fabric)["looks"].replace(
        {HOLDS: "as luck, at a good place", UNKNOWN: "of no clear side yet"}
    )
    parts = [f"{number} {look}" for look, number in looks.value_counts().items()]
    failed = count_phrase(len(rows), "press", "presses")
    return f"{failed} failed; judged by the fit: {and_list(parts)}."


def batch_effect_sentences(luck: pd.DataFrame) -> list[str]:
    """Return a sentence for each load, round or block whose effect stands out."""
    lines = []
    for row in luck[luck["stands_out"]].to_dict("records"):
        side = "better" if row["effect"] > 0 else "worse"
        lines.append(
            f"{row['kind'].capitalize()} {row['number']} (all fabrics) came out about "
            f"{abs(row['effect']):.1f} grades {side} than its settings explain."
        )
    return lines


def judged_again_sentences(fit: Fit) -> list[str]:
    """Return how well second grades agreed with the first, and the share of noise that is the eye.

    None where no coupon was judged again.
    """
    words = {"eye": "judged again by eye", "picture": "graded by a picture read later"}
    lines = [
        f"{label(outcome).capitalize()}, {words[who]}: {told.sentence}"
        for outcome, who, told in agreements(fit.session, fit.results)
    ]
    share = fit.share_of_eye()
    if share is not None:
        lines.append(
            f"Of the difference between presses, about {per_cent(share)} is the eye that grades "
            "it, as far as these coupons show."
        )
    return lines
