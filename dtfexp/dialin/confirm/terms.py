"""The terms of a confirmation, fixed before the first press."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from functools import cached_property
from itertools import count

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.maths.control.acceptance import SequentialPlan, acceptance, sequential_plan

#: A good bench fails a quarter as often as allowed; a sequential plan confirms it 9 times in 10.
GOOD_SHARE = 0.25
REFUSE_GOOD = 0.10


@dataclass(frozen=True)
class Terms:
    """The pass rate to show with a confidence, and the rule.

    A fixed plan allows ``failures``; a ``sequential`` one decides after every press and takes no
    ``failures``. A bench with a true pass rate just below ``pass_rate`` is confirmed with
    probability 1 - ``confidence`` at most. Raises ``PlanError``. METHODS.md, equation (32).
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
        _, early = self.rule.decide(np.ones(self.presses, dtype=bool))
        return (
            f"To show {aim}, press by press: {self.fewest_presses()} without a failure are "
            f"enough, each failure needs more, up to {self.presses} presses of which at "
            f"most {self.allowed} may fail; "
            f"{fields.count_phrase(early, 'early failure ends', 'early failures end')} it."
        )


def _share(rate: float) -> str:
    return f"{100 * rate:.4g}\u00a0%"


_ACCEPTED = "a number between 0 and 1, such as 0.9"
_MOST_PRESSES = 10_000_000
_ROUNDING = 1e-12  # relative tolerance of the risk: 1 - 0.9 is not exactly 0.1


def presses_to_confirm(pass_rate: float, confidence: float, failures: int = 0) -> int:
    """Return the fewest presses, with at most ``failures`` failing, that show ``pass_rate``.

    The classical success run: the smallest n with P(at most ``failures`` fail | n presses, true
    rate ``pass_rate``) <= 1 - ``confidence``; without failures n = ln(1 - C) / ln(R), rounded up.
    22 at .90/.90, 59 at .95/.95. (The form with a uniform prior needs one press fewer.)

    ``pass_rate`` and ``confidence`` lie strictly between 0 and 1. Raises ``PlanError``.
    METHODS.md, equation (31).
    """
    from scipy.stats import binom

    place = "presses_to_confirm"
    rate = fields.share(pass_rate, place, "pass_rate", _ACCEPTED, PlanError)
    sure = fields.share(confidence, place, "confidence", _ACCEPTED, PlanError)
    allowed = fields.whole_number(failures, place, "failures", 0, 10_000, PlanError)

    def enough(presses: int) -> bool:
        return bool(binom.cdf(allowed, presses, 1 - rate) <= (1 - sure) * (1 + _ROUNDING))

    fewest = bisect_left(range(_MOST_PRESSES + 1), True, lo=allowed + 1, key=enough)
    if fewest > _MOST_PRESSES:
        raise PlanError(
            f"presses_to_confirm: pass_rate {rate:g} at confidence {sure:g} needs more than "
            f"{_MOST_PRESSES} presses; ask for less"
        )
    return fewest
