"""Findings of a fit for the page: shares, batch effects, grade checks, surprises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe.fields import count_phrase
from dtfexp.show.text.fit_text import (
    batch_effect_sentences,
    failure_sides_sentence,
    judged_again_sentences,
)
from dtfexp.show.text.number_format import label, per_cent, rounded_text
from dtfexp.show.text.tables import FREE, LINE, NUMBER, Table, grade

if TYPE_CHECKING:
    from dtfexp.dialin.fit import Fit


@dataclass(frozen=True)
class FitSection:
    """The findings common to all fabrics, computed once."""

    luck: pd.DataFrame
    grade_checks: pd.DataFrame
    surprises: pd.DataFrame
    judged_again: tuple[str, ...] = ()

    @staticmethod
    def but_surprises(fit: Fit) -> dict[str, Any]:
        """Return all findings but the surprises, which take longer than the rest."""
        return {
            "luck": fit.batch_effects(),
            "grade_checks": fit.check_grades(),
            "judged_again": tuple(judged_again_sentences(fit)),
        }

    def outlying_presses(self, name: str) -> tuple[int, ...]:
        """Return the numbers of a fabric's presses with a surprising grade."""
        mine = self.surprises[self.surprises["fabric"] == name]
        return tuple(sorted({int(press) for press in mine["press"]}))

    def bench_section(self) -> dict[str, Any]:
        """Return the page's section on all fabrics: luck of loads and rounds, grade checks."""
        return {
            "graded": bool(len(self.luck)),
            "luck": [
                *(
                    batch_effect_sentences(self.luck)
                    or ["No oven load, press round or block stands out."]
                ),
                *self.judged_again,
            ],
            "held": self._held(),
            "checked": self._checked(),
        }

    def _held(self) -> str:
        good = int(self.grade_checks["as_predicted"].sum())
        counts = count_phrase(len(self.grade_checks), "count", "counts")
        said = f"{good} of {counts} lie in the predicted interval."
        if good == len(self.grade_checks):
            return said
        return (
            f"{said} One in twenty may lie outside by chance; if more do, rely on the counted"
            " shares rather than the pass rates."
        )

    def _checked(self) -> Table:
        rows = []
        for row in self.grade_checks.to_dict("records"):
            side = (
                "more than predicted" if row["observed"] > row["high"] else "fewer than predicted"
            )
            rows.append(
                [
                    f"{label(row['outcome'])} {row['grade']}",
                    str(row["observed"]),
                    rounded_text(float(row["expected"]), 1),
                    f"{row['low']} to {row['high']}",
                    "as predicted" if row["as_predicted"] else side,
                ]
            )
        heads = ["Grade", "Observed", "Predicted", "95 % interval", "Result"]
        return Table(heads, ["", NUMBER, NUMBER, LINE, ""], rows)

    def fabric_section(self, fit: Fit, name: str) -> dict[str, Any]:
        """Return the section of one fabric."""
        return {
            "failed": failure_sides_sentence(fit, name),
            "odd": self._odd(fit, name),
        }

    def _odd(self, fit: Fit, name: str) -> Table:
        rows = []
        for row in self.surprises[self.surprises["fabric"] == name].to_dict("records"):
            named = {outcome.name: outcome for outcome in fit.session.outcomes}
            outcome = named.get(row["outcome"])
            # A doubtful reading stands beside the grades, with what was set for the prediction.
            seen, predicted = (
                f"{row[of]:g}" if outcome is None else grade(outcome, row[of])
                for of in ("grade", "predicted")
            )
            chance = per_cent(row["chance"]) if row["chance"] > 0 else "not possible"
            rows.append(
                [str(row["press"]), label(row["outcome"]), seen, predicted, chance, row["why"]]
            )
        heads = ["Press", "Outcome", "Graded", "Predicted", "Chance", "Comment"]
        return Table(heads, [NUMBER, "", NUMBER, NUMBER, LINE, FREE], rows)
