"""Assumptions of the check of a plan: effect size, noise and batch effects."""

from __future__ import annotations

import math
from dataclasses import dataclass
from dataclasses import fields as fields_of
from typing import TYPE_CHECKING, Any

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.dialin.encode.coding import grade_unit
from dtfexp.dialin.experience.learnt_prior import scale_priors

if TYPE_CHECKING:
    from dtfexp.describe.session import Session


@dataclass(frozen=True)
class Assumptions:
    """The assumptions; all but ``level`` and ``power`` in grades.

    ``effect``: the effect worth detecting, over the tested range; ``noise``: sd between like
    presses, rounding to the steps of the scale included; ``load_luck``, ``round_luck``: sd of like
    loads and rounds; ``level``: probability of a false detection; ``power``: probability of
    detection.
    """

    effect: float
    noise: float
    load_luck: float
    round_luck: float
    level: float = 0.05
    power: float = 0.8

    @classmethod
    def of(cls, session: Session, **given: Any) -> Assumptions:
        """Return the prior means of the fit, or its experience's, replaced by what is ``given``.

        Rounding to a grade step adds a twelfth of its square to the variance (a uniform error).
        ``PlanError`` names an unknown name or invalid value.
        """
        known = [f.name for f in fields_of(cls)]
        for name in given:
            if name not in known:
                raise PlanError(f"check has no {name!r}; it takes model, {', '.join(known)}")
        prior = {p.name: p.at(0.0) for p in scale_priors(session.experience)}
        step = 0.0
        for outcome in session.outcomes:
            if outcome.kind != "measured":
                step = max(step, outcome.step / grade_unit(outcome))
        values = {
            "effect": 1.0,
            "noise": math.sqrt(prior["press noise"] ** 2 + step**2 / 12.0),
            "load_luck": prior["load luck"],
            "round_luck": prior["round luck"],
            "level": 0.05,
            "power": 0.8,
        } | given
        for name, value in values.items():
            low, high = {"level": (0.0, 0.5), "power": (0.05, 1.0)}.get(name, (0.0, 1000.0))
            fair = isinstance(value, (int, float)) and not isinstance(value, bool)
            open_low = name not in ("load_luck", "round_luck")
            if not fair or not low <= value <= high or (open_low and value == low):
                above = "above " if open_low else "from "
                raise fields.refusal(name, value, f"a number {above}{low:g} to {high:g}", PlanError)
            if name == "power" and value >= 1.0:
                raise fields.refusal("power", value, "a number below 1", PlanError)
        return cls(**{name: float(value) for name, value in values.items()})

    def sentence(self) -> str:
        """Return the assumptions in one sentence."""
        return (
            f"Assumed: an effect of {self.effect:.2g} grade over the tested range; like presses "
            f"differ by about {self.noise:.2g} grade, oven loads by "
            f"{self.load_luck:.2g}, press rounds by {self.round_luck:.2g} (standard deviations)."
        )
