"""The fit of a session's results: what is known of the pass rate everywhere in the range."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.session import Session
from dtfexp.dialin.coding import Coding, check_settings, excluded_rows
from dtfexp.dialin.results import check_results
from dtfexp.maths.field import Prior
from dtfexp.maths.joint import PassPosterior, pass_posterior
from dtfexp.maths.posterior import Posterior, infer, predict

if TYPE_CHECKING:
    from dtfexp.dialin.window import Window


@dataclass(frozen=True, repr=False)
class Fit:
    """A fitted session: ask it for pass rates and windows.

    ``session`` and ``results`` are what it was made from (results checked, one row per press).
    """

    session: Session
    results: pd.DataFrame
    posterior: Posterior
    _windows: dict[tuple[str, float, float], Window] = field(default_factory=dict, compare=False)

    @property
    def coding(self) -> Coding:
        """How settings are coded for the model."""
        return Coding(self.session)

    def pass_rate(self, settings: pd.DataFrame, fabric: str | Fabric) -> pd.DataFrame:
        """Pass rate of a NEW press at each set-point: new load, new round, machine spread.

        settings: DataFrame with the factor columns, in the session's units.  Returns a DataFrame
        with the same index and columns ``pass_rate`` (expected), ``low``, ``high`` (90 % posterior
        bounds of the true pass rate), all between 0 and 1.  Raises ``ResultsError`` naming the row
        and column of a setting that is not a number or word, ``SessionError`` for a fabric that is
        not in the session.
        """
        checked = check_settings(self.session, settings)
        passing = self.pass_posterior(checked, self.session.fabric(fabric).name)
        expected = passing.expected()
        # A mean may lie outside the quantiles of a very lopsided posterior; the bounds include it.
        return pd.DataFrame(
            {
                "pass_rate": expected,
                "low": np.minimum(passing.quantile(0.05), expected),
                "high": np.maximum(passing.quantile(0.95), expected),
            },
            index=settings.index,
        )

    def window(
        self, fabric: str | Fabric, *, pass_rate: float = 0.90, confidence: float = 0.90
    ) -> Window:
        """The largest box of set-points that keep ``pass_rate`` with ``confidence``, and its
        target.

        Asking again is free.  Raises ``ValueError`` for a rate or confidence not between 0 and 1.
        """
        from dtfexp.dialin.window import find_window

        name = self.session.fabric(fabric).name
        key = (name, float(pass_rate), float(confidence))
        if key not in self._windows:
            self._windows[key] = find_window(self, name, float(pass_rate), float(confidence))
        return self._windows[key]

    def anova(self, outcome: str, fabric: str | Fabric | None = None) -> pd.DataFrame:
        """The classical table of effects, each tested in the stratum where it was varied.

        One row per term, named by the index: every setting, then the bends and pairs that the
        presses can judge, with ``fabric`` None pooled over fabrics with a term of their own.
        Columns: ``stratum`` ("oven load", "press round" or "press"); ``df``; ``df_error``
        (Satterthwaite); ``F``; ``p``; ``note``.  A term that cannot be tested (not varied, moved
        together with another, too few loads, rounds or presses, grades all alike) keeps its row:
        F and p are missing, df_error is 0 and ``note`` says why; elsewhere ``note`` is empty.
        Raises ``SessionError`` for an outcome or a fabric that is not in the session.
        """
        from dtfexp.dialin.anova import anova

        return anova(self.session, self.results, *self._outcome_and_fabric(outcome, fabric))

    def effects(self, outcome: str, fabric: str | Fabric | None = None) -> pd.DataFrame:
        """The effects behind :meth:`anova`, in the outcome's own numbers, with standard errors.

        One row per effect: ``term``, ``stratum``, ``effect``, ``se``, ``df_error``, ``low`` and
        ``high`` (90 % interval), ``p``, ``note``.  "low to high" is what the whole range of a
        setting would do at the slope it has at the average of the presses; "bend" how much its
        middle stands above its ends; a word, and a fabric, is compared with the average of all; a
        pair is half the difference that one range makes to the effect of the other.  What cannot
        be judged is missing, with a note.
        """
        from dtfexp.dialin.anova import effects

        return effects(self.session, self.results, *self._outcome_and_fabric(outcome, fabric))

    def _outcome_and_fabric(
        self, outcome: str, fabric: str | Fabric | None
    ) -> tuple[str, str | None]:
        name = None if fabric is None else self.session.fabric(fabric).name
        return self.session.outcome(outcome).name, name

    def failure_sides(self, settings: pd.DataFrame, fabric: str | Fabric) -> pd.DataFrame:
        """Which way prints fail at each set-point: too little or too much of a stage.

        settings: DataFrame with the factor columns.  Returns a DataFrame with the same index:
        ``pass_rate`` (expected); ``weakest`` (the outcome likeliest to fail); for each stage with
        a setting of a range a pair of beliefs that add up to 1, ``under-cured`` and
        ``over-cured``, ``under-pressed`` and ``over-pressed``, ``peeled too early`` and ``peeled
        too late``: the probability that more (less) of the stage would make the failing outcomes
        better, from the fit and from the ``defects`` recorded nearby; ``looks``: the side that
        stands out, "holds" where 90 of 100 or more pass, or "cannot tell yet"; ``defects``: the
        words recorded nearby, joined by "; ".  Raises as :meth:`pass_rate` does.
        """
        from dtfexp.dialin.failure_sides import failure_sides

        checked = check_settings(self.session, settings)
        return failure_sides(self, checked, self.session.fabric(fabric).name)

    def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior:
        """Posterior of the true pass rate at checked settings of one fabric."""
        index = np.full(len(settings), self.coding.fabric_index(fabric))
        points = self.coding.points(settings, index)
        return pass_posterior(self.posterior, predict(self.posterior, points))

    def presses_used(self, fabric: str) -> int:
        """How many presses of this fabric carry at least one grade and are not excluded."""
        used = self.results[~excluded_rows(self.results)]
        names = [o.name for o in self.coding.outcomes]
        graded = used[names].notna().any(axis=1)
        return int((graded & (used["fabric"] == fabric)).sum())

    def describe(self) -> str:
        """Plain words: what was fitted, on how much, under which priors."""
        from dtfexp.dialin.words import describe_fit

        return describe_fit(self)

    def __repr__(self) -> str:
        fabrics = ", ".join(f"{f.name} {self.presses_used(f.name)}" for f in self.session.fabrics)
        return f"Fit({self.session.name!r}; graded presses: {fabrics})"


def fit(session: Session, results: pd.DataFrame) -> Fit:
    """Fit the pass rate of every fabric to a results frame.

    results: ``Plan.runs`` plus one column per outcome (see the README for the columns); missing
    grades are missing, never 0.  Works with any number of presses, none included, with grades all
    alike, all passing, all failing or perfectly separated.  Deterministic.  Raises ``ResultsError``
    (a ``ValueError``) naming the row, the column and the value that is wrong.

    Model and inference: ``dtfexp.maths.field``, ``dtfexp.maths.ep``, ``dtfexp.maths.scales``.
    """
    checked = check_results(session, results)
    coding = Coding(session)
    posterior = infer(coding.data(checked), coding.shape, coding.graded, Prior())
    return Fit(session, checked, posterior)
