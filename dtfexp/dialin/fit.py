"""The fit of a session's results: the posterior of the pass rate over the whole range."""

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
    """A fitted session: ask it for pass rates, windows and explanations.

    ``session`` and ``results`` are its inputs (results checked, one row per press).
    """

    def window(
        self,
        fabric: str | Fabric,
        *,
        pass_rate: float = 0.90,
        confidence: float | None = None,
        at_least: Mapping[str, float] | None = None,
    ) -> Window:
        """The largest box of set-points at every one of which a NEW press is expected to pass as
        often as ``pass_rate``, and its target.

        What is not known yet counts in: the expectation is the posterior mean of the pass rate.
        confidence: ask instead that each set-point truly reaches the rate with this probability.
        at_least: factor -> half-width the window must have, in the factor's unit; 5 is ±5.
        Asking again is free, asking for another rate or confidence nearly so.  Raises
        ``ValueError`` for a rate or confidence not between 0 and 1, ``SessionError`` for a
        half-width that no window can have.
        """
        from dtfexp.dialin.window.find_window import window_of

        name = self.session.fabric(fabric).name
        sure = None if confidence is None else float(confidence)
        return window_of(self, name, float(pass_rate), sure, at_least or {})

    def whole_confidence(self, window: Window) -> float:
        """Return the posterior probability that EVERY set-point of the window keeps its pass rate.

        A window promises each set-point alone; this simultaneous probability is lower. It is
        estimated from 256 posterior surfaces, with a standard error of about 0.03; 0 when no window
        was found.
        """
        from dtfexp.dialin.window.simultaneous_confidence import simultaneous_confidence

        return simultaneous_confidence(self, window)

    def anova(self, outcome: str, fabric: str | Fabric | None = None) -> pd.DataFrame:
        """Return the analysis of variance, each term tested in the stratum where it was varied.

        One row per term (the index): every setting, then quadratics ("bend") and interactions,
        pooled over fabrics with a term of their own when ``fabric`` is None. Columns: ``stratum``
        ("oven load", "press round", "load × round" or "press"); ``df``; ``df_error``
        (Satterthwaite); ``F``; ``p``; ``variance`` (variance component of the stratum; all of them
        in ``attrs["variances"]``); ``note``. A term that cannot be tested (not varied, confounded,
        left out, too few loads, rounds or presses, grades all alike) keeps its row: F and p are
        missing, df_error is 0 and ``note`` gives the reason.

        When the presses cannot test all quadratics and interactions, only those that stand out are
        included; their p does not account for the selection. The order of the settings has no
        effect. Raises ``SessionError`` for an outcome or fabric that is not in the session.
        """
        from dtfexp.dialin.explain.anova import anova

        return anova(self.session, self.results, *self._outcome_and_fabric(outcome, fabric))

    def effects(self, outcome: str, fabric: str | Fabric | None = None) -> pd.DataFrame:
        """Return the effects behind :meth:`anova`, in units of the outcome, with standard errors.

        One row per effect: ``term``, ``stratum``, ``effect``, ``se``, ``df_error``, ``low`` and
        ``high`` (90 % interval), ``p``, ``margin``, ``note``. "low to high" is the change over the
        whole range at the slope at the mean of the presses; "bend" is the middle less the mean of
        both ends; a word, and a fabric, is compared with the mean of all; an interaction is half
        the difference that the range of one setting makes to the effect of the other. An effect
        that cannot be tested has a note, and its size if estimable. ``margin``: in two-level plans,
        Lenth's margin (95 %) for effects of the stratum.
        """
        from dtfexp.dialin.explain.anova import effects

        return effects(self.session, self.results, *self._outcome_and_fabric(outcome, fabric))

    def _outcome_and_fabric(
        self, outcome: str, fabric: str | Fabric | None
    ) -> tuple[str, str | None]:
        name = None if fabric is None else self.session.fabric(fabric).name
        return self.session.outcome(outcome).name, name

    def failure_sides(self, settings: pd.DataFrame, fabric: str | Fabric) -> pd.DataFrame:
        """Return how prints fail at each set-point: too little or too much of a stage.

        ``settings``: DataFrame with the factor columns. Returns a DataFrame with the same index:
        ``pass_rate`` (expected); ``weakest`` (the outcome most likely to fail); for each stage with
        a numeric setting two probabilities that add up to 1, ``under-cured`` and ``over-cured``,
        ``under-pressed`` and ``over-pressed``, ``peeled too early`` and ``peeled too late``: that
        more (less) of the stage would improve the failing outcomes, from the fit and the
        ``defects`` recorded nearby; ``looks``: the side that stands out, "holds" where at least 90
        % pass, or "cannot tell yet"; ``defects``: the words recorded nearby, joined by "; ". Raises
        as :meth:`pass_rate` does.
        """
        from dtfexp.dialin.explain.failure_sides import failure_sides

        checked = check_settings(self.session, settings)
        return failure_sides(self, checked, self.session.fabric(fabric).name)

    def shares(self, fabric: str | Fabric) -> pd.DataFrame:
        """Return the share of each setting in the variation of the pass rate over the range.

        One row per setting (the index), the largest first. ``alone`` and ``in_all``: first-order
        and total Sobol indices; ``_low`` and ``_high``: 90 % posterior bounds. All between 0 and 1,
        and 0 where the pass rate does not vary. Deterministic; kept with the fit.
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
        """Return the pass rate along one setting, or over two.

        Columns: the setting(s), ``pass_rate``, ``low``, ``high`` (90 % posterior bounds). ``at``:
        values of the other settings, setting -> value (default: the window's target, also for those
        left out); ``"average"``, for one setting, averages evenly over the ranges of the others:
        the main effect. Raises ``SessionError`` for an unknown name or value.
        """
        from dtfexp.dialin.explain.curves import curve

        return curve(self, setting, self.session.fabric(fabric).name, other, at)

    def batch_effects(self) -> pd.DataFrame:
        """Return the batch effect of each oven load, press round and block with graded presses.

        Columns: ``kind``, ``number`` (as in the results), ``presses``, ``effect`` (grades, mean
        over the outcomes; above 0 is better than the settings explain), ``low``, ``high`` (90 %
        posterior bounds), ``stands_out`` (the bounds exclude 0).
        """
        from dtfexp.dialin.explain.batch_effects import batch_effects

        return batch_effects(self)

    def check_grades(self) -> pd.DataFrame:
        """Return the posterior predictive check: observed and expected counts of each grade.

        Each press is predicted from all others. One row per outcome and grade (a measured outcome:
        per quarter of its predictive distribution): ``observed``, ``expected``, ``low``, ``high``
        (95 % interval of the count), ``as_predicted``.
        """
        from dtfexp.dialin.explain.predictive_checks import check_grades

        return check_grades(self)

    def surprises(self) -> pd.DataFrame:
        """Return grades far from their leave-one-out prediction, the most surprising first.

        ``press``, ``fabric``, ``outcome``, ``grade``, ``predicted`` (median grade), ``chance`` (of
        a grade at least this far out on its side, below 1 in 20), ``why``. A later wash graded
        better than an earlier one by more than one step is listed last, with chance 0. No rows when
        nothing surprises.
        """
        from dtfexp.dialin.explain.predictive_checks import surprises

        return surprises(self)

    def press_influence(self) -> pd.DataFrame:
        """Return the influence of each graded press, the largest first.

        ``press``, ``fabric``, ``grades`` (number of them), ``bits`` (information on the quality at
        its own settings), ``moved`` (mean absolute change of its fabric's expected pass rate over
        the range without the press).
        """
        from dtfexp.dialin.explain.predictive_checks import press_influence

        return press_influence(self)

    def describe(self) -> str:
        """Return a description in plain words: data, scales and priors."""
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

    ``results``: ``Plan.runs`` plus one column per outcome (columns: see the README); missing grades
    are missing, never 0. Any number of presses works, none included, as do grades all alike, all
    passing, all failing or perfectly separated. Deterministic. Raises ``ResultsError`` (a
    ``ValueError``) naming the row, the column and the wrong value.

    ``prior_width``: prior name -> factor; 2 makes that prior twice as wide, 0.5 half as wide.
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
