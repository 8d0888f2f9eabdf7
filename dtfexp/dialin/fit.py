"""The fit of a session's results: what is known of the pass rate everywhere in the range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import Coding, check_settings
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.model.fitted import FittedModel
from dtfexp.dialin.model.priors import scaled_priors
from dtfexp.maths.inference.posterior import infer

if TYPE_CHECKING:
    from dtfexp.dialin.window.window import Window


@dataclass(frozen=True, repr=False)
class Fit(FittedModel):
    """A fitted session: ask it for pass rates and windows.

    ``session`` and ``results`` are what it was made from (results checked, one row per press).
    """

    def window(
        self,
        fabric: str | Fabric,
        *,
        pass_rate: float = 0.90,
        confidence: float = 0.90,
        at_least: Mapping[str, float] | None = None,
    ) -> Window:
        """The largest box of set-points that keep ``pass_rate`` with ``confidence``, and its
        target.

        at_least: factor -> half-width the window must have, in the factor's unit; 5 is ±5.
        Asking again is free, asking for another rate or confidence nearly so.  Raises
        ``ValueError`` for a rate or confidence not between 0 and 1, ``SessionError`` for a
        half-width that no window can have.
        """
        from dtfexp.dialin.window.window import window_of

        name = self.session.fabric(fabric).name
        return window_of(self, name, float(pass_rate), float(confidence), at_least or {})

    def whole_confidence(self, window: Window) -> float:
        """Posterior probability that EVERY set-point of the window keeps its pass rate at once.

        A window's own ``confidence`` is that of each set-point alone; this is lower.  From 256
        surfaces drawn from the posterior, so known to about 0.03; 0 when no window was found.
        """
        from dtfexp.dialin.window.simultaneous_confidence import simultaneous_confidence

        return simultaneous_confidence(self, window)

    def anova(self, outcome: str, fabric: str | Fabric | None = None) -> pd.DataFrame:
        """The classical table of effects, each tested in the stratum where it was varied.

        One row per term, named by the index: every setting, then bends and pairs, with ``fabric``
        None pooled over fabrics with a term of their own.  Columns: ``stratum`` ("oven load",
        "press round", "load × round" or "press"); ``df``; ``df_error`` (Satterthwaite); ``F``;
        ``p``; ``variance`` (of the stratum: its luck alone; all of them in ``attrs["variances"]``);
        ``note``.  A term that cannot be tested (not varied, moved together with another, left out,
        too few loads, rounds or presses, grades all alike) keeps its row: F and p are missing,
        df_error is 0 and ``note`` says why; elsewhere ``note`` is empty.

        Where the presses cannot judge all bends and pairs, those join that stand out from all; the
        p of one that was picked so does not count how many were looked at.  The order in which
        settings are described decides nothing.  Raises ``SessionError`` for an outcome or a fabric
        that is not in the session.
        """
        from dtfexp.dialin.explain.anova import anova

        return anova(self.session, self.results, *self._outcome_and_fabric(outcome, fabric))

    def effects(self, outcome: str, fabric: str | Fabric | None = None) -> pd.DataFrame:
        """The effects behind :meth:`anova`, in the outcome's own numbers, with standard errors.

        One row per effect: ``term``, ``stratum``, ``effect``, ``se``, ``df_error``, ``low`` and
        ``high`` (90 % interval), ``p``, ``margin``, ``note``.  "low to high" is what the whole
        range of a setting would do at the slope it has at the average of the presses; "bend" how
        much its middle stands above its ends; a word, and a fabric, is compared with the average of
        all; a pair is half the difference that one range makes to the effect of the other.  What
        cannot be judged has a note, and only its size where that can be told.  margin: in two-level
        plans, the size beyond which an effect stands out from the others of its stratum (Lenth,
        95 %).
        """
        from dtfexp.dialin.explain.anova import effects

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
        from dtfexp.dialin.explain.failure_sides import failure_sides

        checked = check_settings(self.session, settings)
        return failure_sides(self, checked, self.session.fabric(fabric).name)

    def shares(self, fabric: str | Fabric) -> pd.DataFrame:
        """Which settings matter: shares of the variation of the pass rate over the range.

        One row per setting (the index), the weightiest first.  ``alone``: the share a setting
        moves by itself; ``in_all``: with all that it does together with others (first-order and
        total Sobol indices); ``_low`` and ``_high`` are 90 % posterior bounds.  All between 0 and
        1, and 0 where the pass rate does not vary.  The same every time.
        """
        from dtfexp.dialin.explain.sobol_indices import sobol_indices

        return sobol_indices(self, self.session.fabric(fabric).name)

    def curve(
        self,
        setting: str,
        fabric: str | Fabric,
        other: str | None = None,
        *,
        at: Mapping[str, Any] | str | None = None,
    ) -> pd.DataFrame:
        """The pass rate along one setting, or over two: the setting(s), ``pass_rate``, ``low``,
        ``high`` (90 % posterior bounds).

        at: where the other settings stay, setting -> value (default: the window's target, also for
        those left out); ``"average"``, for one setting, spreads the others evenly over their
        ranges: the main effect.  Raises ``SessionError`` for an unknown name or value.
        """
        from dtfexp.dialin.explain.curves import curve

        return curve(self, setting, self.session.fabric(fabric).name, other, at)

    def luck(self) -> pd.DataFrame:
        """The luck of each oven load, press round and block with graded presses, in grades.

        ``kind``, ``number`` (as in the results), ``presses``, ``luck`` (above 0: better than its
        settings explain; the mean over the outcomes), ``low``, ``high`` (90 % posterior bounds),
        ``stands_out`` (the bounds leave 0 out).
        """
        from dtfexp.dialin.explain.batch_effects import batch_effects

        return batch_effects(self)

    def check_grades(self) -> pd.DataFrame:
        """Posterior predictive check: how often each grade fell, and how often it should have.

        Every press is foretold by all others.  One row per outcome and grade (a measured outcome:
        per quarter of its foretold distribution): ``observed``, ``expected``, ``low``, ``high``
        (95 % interval of the count), ``as_foretold``.
        """
        from dtfexp.dialin.explain.predictive_checks import check_grades

        return check_grades(self)

    def surprises(self) -> pd.DataFrame:
        """Grades that the other presses did not foretell, the oddest first.

        ``press``, ``fabric``, ``outcome``, ``grade``, ``foretold`` (grade at the middle of what was
        expected), ``chance`` (of a grade this far out or farther on its side, below 1 in 20),
        ``why``.  A later wash graded better than an earlier one by more than one step is listed
        last, with chance 0.  No rows when nothing surprises.
        """
        from dtfexp.dialin.explain.predictive_checks import surprises

        return surprises(self)

    def taught(self) -> pd.DataFrame:
        """What each graded press taught, the one that moved the answer most first.

        ``press``, ``fabric``, ``grades`` (how many it has), ``bits`` (information on the quality at
        its own settings), ``moved`` (how much the expected pass rate of its fabric, over the whole
        range, would differ without it; mean share).
        """
        from dtfexp.dialin.explain.predictive_checks import press_influence

        return press_influence(self)

    def describe(self) -> str:
        """Plain words: what was fitted, on how much, under which priors."""
        from dtfexp.dialin.model.fit_description import describe_fit

        return describe_fit(self)

    def __repr__(self) -> str:
        from dtfexp.dialin.model.fit_summary import fit_summary

        return fit_summary(self).text()

    def _repr_html_(self) -> str:
        from dtfexp.dialin.model.fit_summary import fit_summary

        return fit_summary(self).html()


def fit(
    session: Session,
    results: pd.DataFrame,
    *,
    prior_width: Mapping[str, float] | None = None,
) -> Fit:
    """Fit the pass rate of every fabric to a results frame.

    results: ``Plan.runs`` plus one column per outcome (see the README for the columns); missing
    grades are missing, never 0.  Works with any number of presses, none included, with grades all
    alike, all passing, all failing or perfectly separated.  Deterministic.  Raises ``ResultsError``
    (a ``ValueError``) naming the row, the column and the value that is wrong.

    prior_width: prior name -> factor; 2 lets that prior be twice as wide, 0.5 half as wide.
    ``Fit.describe()`` lists the names.

    Model and inference: ``dtfexp.maths.field.field``, ``dtfexp.maths.inference.ep``,
    ``dtfexp.maths.inference.hyperparameters``.
    """
    checked = check_results(session, results)
    coding = Coding(session)
    prior, scale_priors = scaled_priors(prior_width or {})
    posterior = infer(
        coding.data(checked), coding.shape, coding.graded, prior, hyper_priors=scale_priors
    )
    return Fit(session, checked, posterior)
