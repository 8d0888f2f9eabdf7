"""The fit of a session's results: the posterior of the pass rate over the whole range."""

from __future__ import annotations

import weakref
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING

import pandas as pd

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.experience.learnt_prior import learnt_prior
from dtfexp.dialin.explain.batch_effects import batch_effects
from dtfexp.dialin.explain.curves import curve
from dtfexp.dialin.explain.failure_sides import failure_sides
from dtfexp.dialin.explain.predictive_checks import check_grades, press_influence, surprises
from dtfexp.dialin.explain.sobol_indices import sobol_indices
from dtfexp.dialin.model.fit_description import describe_fit, fit_summary
from dtfexp.dialin.model.fitted import FittedModel
from dtfexp.dialin.model.priors import scaled_priors
from dtfexp.dialin.side_by_side import side_by_side
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.hyperparameters import HyperPrior
from dtfexp.maths.inference.infer import infer
from dtfexp.maths.inference.measured_units import in_fitted_units

if TYPE_CHECKING:
    from dtfexp.dialin.window.window import Window


@dataclass(frozen=True, repr=False)
class Fit(FittedModel):
    """A fitted session: ask it for pass rates, windows and explanations.

    ``session`` and ``results`` are its inputs (results checked, one row per press).
    """

    describe = describe_fit
    shares = sobol_indices
    curve = curve
    batch_effects = batch_effects
    failure_sides = failure_sides
    check_grades = check_grades
    surprises = surprises
    press_influence = press_influence

    def window(
        self,
        fabric: str | Fabric,
        *,
        pass_rate: float = 0.90,
        confidence: float | None = None,
        at_least: Mapping[str, float] | None = None,
    ) -> Window:
        """Return the largest window for ``pass_rate``, and its target.

        A box of set-points at every one of which a NEW press is expected to pass as often.

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

    def share_of_eye(self) -> float | None:
        """Return the share (0 to 1) of press noise that is the eye; None without second grades."""
        post = self.posterior
        shares = [s.eye_share for s in post.integration_points if s.eye_share is not None]
        return float(post.weight @ shares) if shares else None

    def without_experience(self) -> Fit:
        """Return the same results fitted under the general prior alone, noted changes included.

        The answer beside this one, computed once: what the session's experience changed. Itself
        without one.
        """
        return self._without_experience

    @cached_property
    def _without_experience(self) -> Fit:
        if self.session.experience is None:
            return self
        post, session = self.posterior, self.session.altered(experience=None)
        # As read, before what the machine spread did to each press was worked out.
        data = replace(post.data, input_noise=None)
        plain = infer(
            data, post.shape, self.coding.graded, post.prior, hyper_priors=post.hyper_priors
        )
        return Fit(session, self.results, plain)

    def whole_confidence(self, window: Window) -> float:
        """Return the posterior probability that EVERY set-point of the window keeps its pass rate.

        A window promises each set-point alone; for all at once it is less sure. The answer comes
        from 256 drawn surfaces and is known to about 0.03. It is 0 without a window.
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

    def __repr__(self) -> str:
        return fit_summary(self).text()

    def _repr_html_(self) -> str:
        return fit_summary(self).html()


def fit(
    session: Session,
    results: pd.DataFrame,
    *,
    prior_width: Mapping[str, float] | None = None,
) -> Fit:
    """Fit the pass rate of every fabric to a results frame.

    ``results``: ``Plan.runs`` plus one column per outcome (columns: see PYTHON.md); missing grades
    are missing, never 0. Any number of presses works, none included, as do grades all alike, all
    passing, all failing or perfectly separated. Deterministic. Raises ``ResultsError`` (a
    ``ValueError``) naming the row, the column and the wrong value.

    ``prior_width``: prior name -> factor; 2 makes that prior twice as wide, 0.5 half as wide.
    ``Fit.describe()`` lists the names.

    While the latest fit is held by anybody, the same arguments give it again, with all that it has
    computed: the next presses, asked for after the window, start from that.

    Model and inference: ``dtfexp.maths.field.field``, ``dtfexp.maths.propagation.ep``,
    ``dtfexp.maths.inference.hyperparameters``.
    """
    checked = check_results(session, results)
    prior, scale_priors = scaled_priors(prior_width or {})
    if (held := _held(session, checked, scale_priors, prior)) is not None:
        return held
    coding = Coding(session)
    data, shape = in_fitted_units(coding.data(checked), coding.shape, prior, scale_priors)
    learnt = learnt_prior(session)
    posterior = infer(
        data, shape, coding.graded, prior,
        hyper_priors=scale_priors, learnt=learnt, work=partial(side_by_side, start=False),
    )  # fmt: skip
    fitted = Fit(session, checked, posterior)
    _LATEST["fit"] = fitted
    return fitted


#: The latest fit, for as long as anybody holds it.
_LATEST: weakref.WeakValueDictionary[str, Fit] = weakref.WeakValueDictionary()


def _held(
    session: Session, checked: pd.DataFrame, scales: tuple[HyperPrior, ...], prior: Prior
) -> Fit | None:
    """Return the latest fit if somebody holds it and it is of the same presses and priors."""
    fitted = _LATEST.get("fit")
    if fitted is None or fitted.session != session or not fitted.results.equals(checked):
        return None
    post = fitted.posterior
    return fitted if (post.hyper_priors, post.prior) == (scales, prior) else None
