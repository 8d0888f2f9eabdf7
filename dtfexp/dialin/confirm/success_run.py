"""The number of presses that confirm a pass rate (success run)."""

from __future__ import annotations

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.dialin.encode.argument_checks import open_unit_interval

_ACCEPTED = "a number between 0 and 1, such as 0.9"
_MOST_PRESSES = 10_000_000
_ROUNDING = 1e-12  # relative tolerance of the risk: 1 - 0.9 is not exactly 0.1


def presses_to_confirm(pass_rate: float, confidence: float, failures: int = 0) -> int:
    """Return the fewest presses, with at most ``failures`` failing, that show ``pass_rate``.

    The classical success run: the smallest n with P(at most ``failures`` fail | n presses, true
    rate ``pass_rate``) <= 1 - ``confidence``; without failures n = ln(1 - C) / ln(R), rounded up.
    22 at .90/.90, 59 at .95/.95. (The form with a uniform prior needs one press fewer.)

    ``pass_rate`` and ``confidence`` lie strictly between 0 and 1. Raises ``PlanError``. METHODS.md,
    equation (31).
    """
    from scipy.stats import binom

    rate = open_unit_interval(pass_rate, "presses_to_confirm", "pass_rate", _ACCEPTED)
    sure = open_unit_interval(confidence, "presses_to_confirm", "confidence", _ACCEPTED)
    try:
        allowed = fields.whole_number(failures, "presses_to_confirm", "failures", 0, 10_000)
    except ValueError as error:
        raise PlanError(str(error)) from None

    def enough(presses: int) -> bool:
        return bool(binom.cdf(allowed, presses, 1 - rate) <= (1 - sure) * (1 + _ROUNDING))

    high = allowed + 1
    while not enough(high):
        high *= 2
        if high > _MOST_PRESSES:
            raise PlanError(
                f"presses_to_confirm: pass_rate {rate:g} at confidence {sure:g} needs more than "
                f"{_MOST_PRESSES} presses; ask for less"
            )
    low = allowed
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
