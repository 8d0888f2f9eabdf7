"""The terms of a confirmation, fixed before the first press."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import count

import numpy as np
import pandas as pd

from dtfexp.describe.errors import PlanError
from dtfexp.dialin.confirm.success_run import presses_to_confirm
from dtfexp.maths.control.acceptance import SequentialPlan, acceptance, sequential_plan

#: A good bench fails a quarter as often as allowed; a sequential plan confirms it 9 times in 10.
GOOD_SHARE = 0.25
REFUSE_GOOD = 0.10


@dataclass(frozen=True)
class Terms:
    """The pass rate to show with a confidence, and the rule.

    A fixed plan allows ``failures``; a ``sequential`` one decides after every press and takes no
    ``failures``. A bench with a true pass rate just below ``pass_rate`` is confirmed with
    probability 1 - ``confidence`` at most. Raises ``PlanError``.
    """

    pass_rate: float = 0.90
    confidence: float = 0.90
    failures: int = 0
    sequential: bool = False

    def __post_init__(self) -> None:
        presses_to_confirm(self.pass_rate, self.confidence, self.failures)
        if self.sequential and self.failures:
            raise PlanError(
                f"failures is {self.failures}; a sequential plan sets its own, leave failures at 0"
            )

    @cached_property
    def allowed(self) -> int:
        """The number of failures allowed among the presses of the plan.

        A sequential plan allows one more than the fixed plan that passes good benches as often:
        with the same number it could hardly stop early.
        """
        if not self.sequential:
            return self.failures
        good = np.array(GOOD_SHARE * (1.0 - self.pass_rate))
        fixed = (
            (failures, presses_to_confirm(self.pass_rate, self.confidence, failures))
            for failures in count()
        )
        return 1 + next(d for d, n in fixed if acceptance(n, d, good) >= 1.0 - REFUSE_GOOD)

    @cached_property
    def presses(self) -> int:
        """The number of presses of the plan; the maximum of a sequential one."""
        return presses_to_confirm(self.pass_rate, self.confidence, self.allowed)

    @cached_property
    def rule(self) -> SequentialPlan | None:
        """The decision lines of a sequential plan; None for a fixed one."""
        if not self.sequential:
            return None
        bad = 1.0 - self.pass_rate
        return sequential_plan(
            GOOD_SHARE * bad, bad, REFUSE_GOOD, 1.0 - self.confidence, self.presses, self.allowed
        )

    def fewest_presses(self) -> int:
        """Return the fewest presses that can confirm."""
        if self.rule is None:
            return self.presses
        return next(n for n in range(1, self.presses + 1) if self.rule.accept_line(n) >= 0)

    def curve(self, rates: np.ndarray | None = None) -> pd.DataFrame:
        """Return the operating characteristic.

        Columns: ``pass_rate`` (the true one), ``confirmed`` (probability of confirmation) and
        ``presses`` (mean number made; a fixed plan is made to the end).
        """
        if rates is None:
            rates = np.linspace(max(0.0, 1.0 - 4.0 * (1.0 - self.pass_rate)), 1.0, 81)
        if self.rule is None:
            confirmed = acceptance(self.presses, self.failures, 1.0 - rates)
            made = np.full(len(rates), float(self.presses))
        else:
            both = [self.rule.performance(1.0 - float(rate)) for rate in rates]
            confirmed, made = (np.array(column) for column in zip(*both, strict=True))
        return pd.DataFrame({"pass_rate": rates, "confirmed": confirmed, "presses": made})

    def sentence(self) -> str:
        """Return the rule in words."""
        aim = f"at least {_share(self.pass_rate)} good, with {_share(self.confidence)} confidence"
        if self.rule is None:
            allowed = {0: "none may fail", 1: "at most 1 may fail"}.get(
                self.failures, f"at most {self.failures} may fail"
            )
            return f"To show {aim}: {self.presses} new presses; {allowed}."
        return (
            f"To show {aim}, press by press: {self.fewest_presses()} without a failure are "
            f"enough, each failure needs more, up to {self.presses} presses of which at "
            f"most {self.allowed} may fail; {self.rule.refuse_line(1)} early failures end it."
        )


def _share(rate: float) -> str:
    return f"{100 * rate:.4g}\u00a0%"
