"""The priors of the fit by name, with their reasons and widths."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from dtfexp.describe import fields
from dtfexp.describe.errors import SessionError
from dtfexp.describe.fields import quoted
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.hyperparameters import HYPER_PRIORS, HyperPrior

_NARROWEST, _WIDEST = 0.1, 10.0


@dataclass(frozen=True)
class FixedPrior:
    """A prior of fixed width: its name, its field of :class:`Prior`, its reason."""

    name: str
    attribute: str
    reason: str


FIXED_PRIORS: tuple[FixedPrior, ...] = (
    FixedPrior("usual quality", "intercept_sd", "some shops run far from a good place"),
    FixedPrior("slope", "slope_sd", "a setting may be better higher or lower"),
    FixedPrior("bend", "quadratic_sd", "quality falls on both sides at an unknown rate"),
    FixedPrior("one setting", "smooth_sd", "an edge may be anywhere along a setting"),
    FixedPrior("word", "category_sd", "a peel method may be most of a grade better than another"),
    FixedPrior("two slopes", "interaction_slope_sd", "one setting's effect may depend on another"),
    FixedPrior(
        "two settings", "interaction_smooth_sd", "an edge of one setting may move with another"
    ),
    FixedPrior("same press", "press_effect_sd", "effect of one press on all its outcomes"),
)


def scaled_priors(widths: Mapping[str, float]) -> tuple[Prior, tuple[HyperPrior, ...]]:
    """Return the priors, some of them wider (factor over 1) or narrower (under 1).

    Raises ``SessionError`` naming the prior, and the accepted names and factors.
    """
    if not isinstance(widths, Mapping):
        raise fields.refusal("prior_width", widths, "a dict of prior name to factor")
    names = [p.name for p in HYPER_PRIORS] + [f.name for f in FIXED_PRIORS]
    for name, factor in widths.items():
        if name not in names:
            raise SessionError(f"prior_width has {quoted(name)}; the priors are {', '.join(names)}")
        number = not isinstance(factor, bool) and isinstance(factor, (int, float))
        if not number or not _NARROWEST <= factor <= _WIDEST:
            raise fields.refusal(
                f"prior_width of {name!r}",
                factor,
                f"a factor from {_NARROWEST:g} to {_WIDEST:g}, such as 2 for twice as wide",
            )
    prior = Prior()
    changed = {
        f.attribute: getattr(prior, f.attribute) * widths[f.name]
        for f in FIXED_PRIORS
        if f.name in widths
    }
    scales = tuple(replace(p, sd=p.sd * widths.get(p.name, 1.0)) for p in HYPER_PRIORS)
    return replace(prior, **changed), scales
