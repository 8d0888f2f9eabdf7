"""The fitted model of a session: its posterior, and the pass rate at any set-point."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import Coding, check_settings, excluded_rows
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.leave_one_out import LeftOut
from dtfexp.maths.prediction.pass_probability import PassPosterior, pass_posterior


@dataclass(frozen=True, repr=False)
class FittedModel:
    """A session, its checked results (one row per press) and the posterior of the latent field.

    Functions of their own compute windows, explanations and the next presses from it; the public
    :class:`dtfexp.dialin.fit.Fit` is their index.
    """

    session: Session
    results: pd.DataFrame
    posterior: Posterior
    #: Cache of computed answers.
    _windows: dict[tuple[Any, ...], Any] = field(default_factory=dict, compare=False)
    _places: dict[tuple[Any, ...], Any] = field(default_factory=dict, compare=False)
    _shares: dict[str, pd.DataFrame] = field(default_factory=dict, compare=False)
    _pass_posteriors: dict[tuple[Any, ...], PassPosterior] = field(
        default_factory=dict, compare=False
    )
    _left_out: list[LeftOut] = field(default_factory=list, compare=False)

    @cached_property
    def coding(self) -> Coding:
        """The coding of the settings for the model."""
        return Coding(self.session)

    def pass_rate(self, settings: pd.DataFrame, fabric: str | Fabric) -> pd.DataFrame:
        """Return the pass rate of a NEW press at each set-point: new load, new round, with spread.

        ``settings``: DataFrame with the factor columns, in the session's units. Returns a DataFrame
        with the same index and columns ``pass_rate`` (expected), ``low``, ``high`` (90 % posterior
        bounds of the true pass rate), all between 0 and 1. Raises ``ResultsError`` naming the row
        and column of a setting that is not a number or word, ``SessionError`` for a fabric that is
        not in the session.
        """
        checked = check_settings(self.session, settings)
        passing = self.pass_posterior(checked, self.session.fabric(fabric).name)
        expected = passing.expected()
        # The mean of a very skewed posterior may lie outside its quantiles; the bounds include it.
        return pd.DataFrame(
            {
                "pass_rate": expected,
                "low": np.minimum(passing.quantile(0.05), expected),
                "high": np.maximum(passing.quantile(0.95), expected),
            },
            index=settings.index,
        )

    def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior:
        """Return the posterior of the true pass rate at checked settings of one fabric."""
        index = np.full(len(settings), self.coding.fabric_index(fabric))
        points = self.coding.points(settings, index)
        return pass_posterior(self.posterior, predict(self.posterior, points))

    def cached_pass_posterior(
        self, settings: pd.DataFrame, fabric: str, key: tuple[Any, ...]
    ) -> PassPosterior:
        """Return ``pass_posterior``, cached under ``key``, for settings used repeatedly."""
        if (fabric, *key) not in self._pass_posteriors:
            self._pass_posteriors[fabric, *key] = self.pass_posterior(settings, fabric)
        return self._pass_posteriors[fabric, *key]

    def experience_share(self) -> float:
        """Return how likely the experience is against the general prior, 0 to 1; 0 without one."""
        post = self.posterior
        return float(post.weight @ [s.trend is not None for s in post.integration_points])

    def graded_presses(self, fabric: str) -> pd.DataFrame:
        """Return the rows of a fabric with at least one grade that are not excluded."""
        used = self.results[~excluded_rows(self.results)]
        graded = used[[o.name for o in self.coding.outcomes]].notna().any(axis=1)
        return used[graded & (used["fabric"] == fabric)]

    def presses_used(self, fabric: str) -> int:
        """Return the number of this fabric's presses with a grade that are not excluded."""
        return len(self.graded_presses(fabric))
