"""What is asked of every set-point of a window, and how far a set-point is above it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.prediction.pass_probability import PassPosterior, probit

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session

Array = NDArray[np.float64]

#: The excess of a set-point that the session forbids.
FORBIDDEN = -1e9
#: Pass rates closer than this count as equal where today's settings are kept.
AS_GOOD = 0.005


class PassSurface(Protocol):
    """What a map is made of: a fitted model, or a simulated bench whose pass rates are known."""

    @property
    def session(self) -> Session: ...

    def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior: ...

    def cached_pass_posterior(
        self, settings: pd.DataFrame, fabric: str, key: tuple[Any, ...]
    ) -> PassPosterior: ...


@dataclass(frozen=True)
class Demand:
    """The requirement on every set-point of a window.

    A new press passes with the expected rate ``pass_rate`` or, with ``confidence``, the true pass
    rate reaches ``pass_rate`` with this posterior probability. METHODS.md, equation (24).
    """

    pass_rate: float
    confidence: float | None = None

    def is_met(self, expected: float, chance: float) -> bool:
        """Return whether an expected pass rate, or the chance of ``pass_rate``, is enough."""
        return expected >= self.pass_rate if self.confidence is None else chance >= self.confidence

    def excess(self, passing: PassPosterior) -> Array:
        """Return how far each set-point (M,) is above the requirement on the probit scale.

        METHODS.md, equation (24).
        """
        if self.confidence is None:
            return probit(passing.expected()) - probit(np.array(self.pass_rate))
        return probit(passing.chance_at_least(self.pass_rate)) - probit(np.array(self.confidence))

    def excess_at(self, fit: PassSurface, frame: pd.DataFrame, fabric: str) -> Array:
        """Return the excess at set-points of one fabric; ``FORBIDDEN`` where one is forbidden."""
        excess = self.excess(fit.pass_posterior(frame, fabric))
        return np.where(fit.session.permits(frame, fabric), excess, FORBIDDEN)
