"""The verdict on confirming presses: confirmed, not confirmed, or go on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from dtfexp.describe.errors import ResultsError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.fields import count_phrase as in_words
from dtfexp.describe.html_text import escape
from dtfexp.describe.session import Session
from dtfexp.dialin.confirm.confirmation import DAY, PLAN_NUMBER, SPOT
from dtfexp.dialin.confirm.press_verdicts import FAILED, PASSED, verdict_of_presses
from dtfexp.dialin.confirm.terms import Terms
from dtfexp.dialin.encode.results import check_results
from dtfexp.maths.control.acceptance import (
    ACCEPTED,
    REFUSED,
    bayes_interval,
    bayes_probability,
    exact_interval,
    exact_lower_limit,
)

CONFIRMED, NOT_CONFIRMED, GO_ON = "confirmed", "not confirmed", "go on"


@dataclass(frozen=True, repr=False)
class Verdict:
    """The result of the confirming presses of one fabric.

    ``decision`` is "confirmed", "not confirmed" or "go on"; ``tried`` presses have a verdict, of
    which ``passed`` passed; ``open`` are planned without a verdict. ``shown``: exact lower limit of
    the pass rate at the required confidence. ``low``, ``high``: exact two-sided limits (Clopper &
    Pearson) at that level; ``bayes_low``, ``bayes_high`` and ``chance`` (that the true rate reaches
    the required one): posterior from a uniform prior. After a sequential plan, with its optional
    stopping, the exact limits are approximate. Counts treat presses as independent; ``notes``
    describe how they were spread and where failures lie.
    """

    fabric: str
    terms: Terms
    decision: str
    tried: int
    passed: int
    open: int
    shown: float
    low: float
    high: float
    bayes_low: float
    bayes_high: float
    chance: float
    reason: str
    notes: tuple[str, ...]

    @property
    def failed(self) -> int:
        """The number of presses that failed."""
        return self.tried - self.passed

    def __repr__(self) -> str:
        return f"Verdict({self.fabric!r}, {self.decision}; {self.reason})"

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        head = f"{escape(self.fabric)}: {escape(self.decision)}"
        return f"<p><b>{head}.</b> {escape(self.reason)}</p><ul>{notes}</ul>"


def verdict(
    session: Session,
    results: pd.DataFrame,
    fabric: str | Fabric,
    *,
    pass_rate: float = 0.90,
    confidence: float = 0.90,
    failures: int = 0,
    sequential: bool = False,
) -> Verdict:
    """Return the verdict on the last confirmation of a fabric, by its planned terms.

    ``results``: a results frame with the columns of ``confirmation_plan``. A press has a verdict
    when all its grades are in, or one is too low; excluded presses do not count. Presses are
    counted in their order: failures are known at the peel, passes only after the wash, so that
    counting all known verdicts would favour failures. Raises ``PlanError`` for invalid terms,
    ``ResultsError`` without a confirming press of the fabric. METHODS.md, section 11.
    """
    terms = Terms(pass_rate, confidence, failures, sequential)
    name = session.fabric(fabric).name
    mine = _last_confirmation(check_results(session, results), name)
    words = verdict_of_presses(session, mine)
    counted = [word for word in words if word != "left out"]
    settled = [word for word in counted if word in (PASSED, FAILED)]
    tried, passed = len(settled), settled.count(PASSED)
    # In order, up to the first press without a verdict.
    first_open = next((k for k, w in enumerate(counted) if w not in settled), len(counted))
    decision, after = _decide(terms, counted[:first_open], tried - passed)
    if terms.sequential and decision != GO_ON:
        # Presses after the decision are not part of the test.
        tried, passed = after, counted[:after].count(PASSED)
    low, high = exact_interval(passed, tried, confidence)
    bayes_low, bayes_high = bayes_interval(passed, tried, confidence)
    shown = exact_lower_limit(passed, tried, confidence)
    return Verdict(
        fabric=name,
        terms=terms,
        decision=decision,
        tried=tried,
        passed=passed,
        open=len(counted) - len(settled),
        shown=shown,
        low=low,
        high=high,
        bayes_low=bayes_low,
        bayes_high=bayes_high,
        chance=bayes_probability(pass_rate, passed, tried),
        reason=_reason(terms, decision, tried, passed, len(counted) - len(settled), shown),
        notes=_notes(mine, words),
    )


def _last_confirmation(results: pd.DataFrame, fabric: str) -> pd.DataFrame:
    if SPOT in results and PLAN_NUMBER in results:
        confirming = results[(results["fabric"] == fabric) & results[SPOT].notna()]
        confirming = confirming[confirming[SPOT] != ""]
        if len(confirming):
            number = pd.to_numeric(confirming[PLAN_NUMBER])
            last: pd.DataFrame = confirming[number == number.max()]
            return last.reset_index(drop=True)
    raise ResultsError(
        f"no confirming press of {fabric} is in the results; make some with confirmation_plan"
    )


def _decide(terms: Terms, in_order: list[str], failed: int) -> tuple[str, int]:
    fails = np.array([word == FAILED for word in in_order], dtype=bool)
    if terms.rule is not None:
        said, after = terms.rule.decide(fails)
        return {ACCEPTED: CONFIRMED, REFUSED: NOT_CONFIRMED}.get(said, GO_ON), after
    if failed > terms.failures:
        return NOT_CONFIRMED, len(in_order)
    done = len(in_order) >= terms.presses
    return (CONFIRMED if done else GO_ON), len(in_order)


def _reason(
    terms: Terms, decision: str, tried: int, passed: int, still_open: int, shown: float
) -> str:
    asked = f"{100 * terms.pass_rate:.4g} of 100"
    count = f"{passed} of {tried} confirming presses passed"
    if decision == CONFIRMED and terms.sequential:
        # Exact limits do not hold under optional stopping, so only the terms are stated.
        return f"{count}: that shows {asked} good, with {100 * terms.confidence:.4g} % confidence."
    if decision == CONFIRMED:
        return (
            f"{count}: at least {int(100 * shown)} of 100 are good, with "
            f"{100 * terms.confidence:.4g} % confidence ({asked} was required)."
        )
    if decision == NOT_CONFIRMED:
        return (
            f"{count}: that does not show {asked}. Do not sell with these settings yet; the fit "
            "now includes the failures: check the window again and make the next presses."
        )
    if terms.rule is None:
        more = max(terms.presses - tried, 0)
        left = terms.failures - (tried - passed)
        may = "none may fail" if not left else f"at most {left} may fail"
        if still_open < more:
            return (
                f"{count} so far: {more} more are needed, {may}, and only {still_open} are "
                "planned; plan the rest (excluded presses do not count)."
            )
        return f"{count} so far: {more} more are needed; {may}."
    need = next(
        (
            n
            for n in range(tried + 1, terms.presses + 1)
            if terms.rule.accept_line(n) >= tried - passed
        ),
        terms.presses,
    )
    return f"{count} so far: {need - tried} more without a failure would be enough."


def _notes(mine: pd.DataFrame, words: list[str]) -> tuple[str, ...]:
    settled = mine[[word in (PASSED, FAILED) for word in words]]
    bad = mine[[word == FAILED for word in words]]
    spread = ", ".join(
        in_words(int(settled[column].nunique()), noun)
        for column, noun in (
            ("oven_load", "oven load"), ("press_round", "press round"), (DAY, "day")
        )
        if column in settled
    )  # fmt: skip
    lines = [f"With a verdict so far: {in_words(len(settled), 'press', 'presses')} in {spread}."]
    if len(bad) >= 2:
        for column, noun in (
            ("oven_load", "oven load"), ("press_round", "press round"), (DAY, "day"),
            (SPOT, "spot"),
        ):  # fmt: skip
            if column in bad and bad[column].nunique() == 1 and settled[column].nunique() > 1:
                lines.append(
                    f"All {len(bad)} failures are in {noun} {bad[column].iloc[0]}: look for a "
                    "cause there."
                )
    return tuple(lines)
