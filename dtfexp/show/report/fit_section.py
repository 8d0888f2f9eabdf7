"""Findings of a fit for the page: shares, batch effects, grade checks, surprises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe.fields import and_list, count_phrase
from dtfexp.show.figures import figures, intervals
from dtfexp.show.style.svg import inline_svg
from dtfexp.show.text.fit_text import batch_effect_sentences, failure_sides_sentence
from dtfexp.show.text.number_format import between, label, per_cent, rounded_text
from dtfexp.show.text.tables import FREE, LINE, NUMBER, Table, grade

if TYPE_CHECKING:
    from dtfexp.dialin.fit import Fit

_CLASSICAL = ["Term", "Judged by", "df", "Error df", "F", "p", "Variance", "Note"]


@dataclass(frozen=True)
class FitSection:
    """The findings common to all fabrics, computed once."""

    luck: pd.DataFrame
    grade_checks: pd.DataFrame
    surprises: pd.DataFrame

    @classmethod
    def of(cls, fit: Fit) -> FitSection:
        """Return the findings of a fit."""
        return cls(fit.batch_effects(), fit.check_grades(), fit.surprises())

    def outlying_presses(self, name: str) -> tuple[int, ...]:
        """Return the numbers of a fabric's presses with a surprising grade."""
        mine = self.surprises[self.surprises["fabric"] == name]
        return tuple(sorted({int(press) for press in mine["press"]}))

    def bench_section(self) -> dict[str, Any]:
        """Return the page's section on all fabrics: luck of loads and rounds, grade checks."""
        drawn = []
        if len(self.luck):
            ax = figures.batch_effect_bars(self.luck)
            told = " ".join(batch_effect_sentences(self.luck)) or "None stands out."
            drawn.append(_piece(ax, "luck-figure", "Luck of loads and rounds", told))
        for number, outcome in enumerate(dict.fromkeys(self.grade_checks["outcome"]), start=1):
            ax = figures.grades_chart(self.grade_checks, outcome)
            title = f"Grades of {label(outcome)}, observed and predicted"
            drawn.append(_piece(ax, f"grades-figure-{number}", title, "See the table below."))
        hidden = len(self.luck) - len(intervals.largest_effects(self.luck))
        return {
            "graded": bool(len(self.luck)),
            "figures": drawn,
            "luck": batch_effect_sentences(self.luck)
            or ["No oven load, press round or block stands out."],
            "hidden": f"The figure shows the {intervals.MOST_ROWS} largest of {len(self.luck)}."
            if hidden
            else "",
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

    def fabric_section(self, fit: Fit, name: str, key: str) -> dict[str, Any]:
        """Return the section of one fabric; ``key``: prefix of its figures' ids."""
        found = fit.shares(name)
        parts = [
            f"{label(str(setting))} {per_cent(row['in_all'])}"
            f" ({between(row['in_all_low'], row['in_all_high'])})"
            for setting, row in found.iterrows()
        ]
        ax = figures.sobol_bars(found)
        told = f"Share of what decides pass or fail: {and_list(parts)}."
        return {
            "shares": _piece(ax, f"{key}-shares", f"What matters most for {name}", told),
            "shares_line": told,
            "failed": failure_sides_sentence(fit, name),
            "odd": self._odd(fit, name),
            "classical": [
                (label(outcome.name), _classical(fit.anova(outcome.name, name)))
                for outcome in fit.session.outcomes
            ],
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


def _classical(frame: pd.DataFrame) -> Table:
    rows = []
    for term, row in frame.iterrows():
        tested = row["F"] == row["F"]
        p = float(row["p"])
        rows.append(
            [
                label(str(term)),
                str(row["stratum"]),
                str(int(row["df"])),
                rounded_text(float(row["df_error"]), 1) if tested else "–",
                rounded_text(float(row["F"]), 2),
                "under 0.001" if p < 0.001 else rounded_text(p, 3),
                rounded_text(float(row["variance"]), 3),
                str(row["note"]),
            ]
        )
    return Table(_CLASSICAL, ["", "", NUMBER, NUMBER, NUMBER, NUMBER, NUMBER, FREE], rows)


def _piece(ax: Any, name: str, title: str, given: str) -> Any:
    from markupsafe import Markup

    return Markup(inline_svg(ax.figure, name, title, given))
