"""What a picture of a coupon says of it, each with a standard uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from dtfexp.coupon.payload import Label
from dtfexp.describe import fields
from dtfexp.describe.errors import CouponError

Lab = tuple[float, float, float]
#: What a colour change is measured against: the coupon's picture before washing, or its artwork.
Against = Literal["before", "artwork"]
#: Said of lines and gaps (mm) and letters (points) of which not even the largest holds.
NO_LINE, NO_LETTERS = 3.0, 14.0


@dataclass(frozen=True)
class Measured:
    """A value and its standard uncertainty, in the same unit."""

    value: float
    sd: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.value) or not (math.isfinite(self.sd) and self.sd >= 0):
            raise CouponError(
                f"measure: got {self.value!r} ± {self.sd!r}; accepted a finite number and an "
                "uncertainty of 0 or more"
            )


@dataclass(frozen=True)
class ColourChange:
    """The change of one block: CIELAB before and after, D65, and how sure its size is.

    ``ciede2000`` is the CIEDE2000 difference, whose uncertainty stands for the CIELAB one too.
    """

    before: Lab
    after: Lab
    ciede2000: Measured


@dataclass(frozen=True)
class CouponMeasures:
    """Everything measured of one coupon in one picture; None where it could not be measured.

    ``missing``: percent of the print that is gone. ``cracked``: percent of the large solid that is
    cracked or lifted. ``line``, ``gap``: the thinnest that holds, mm. ``letters``: the smallest
    that hold, points. ``halo``: percent of the bare cloth beside the print that carries powder.
    ``colours``: block -> change. ``quality``: what was asked of the picture itself.
    """

    label: Label
    against: Against
    missing: Measured | None = None
    cracked: Measured | None = None
    line: Measured | None = None
    gap: Measured | None = None
    letters: Measured | None = None
    halo: Measured | None = None
    colours: Mapping[str, ColourChange] = field(default_factory=dict)
    quality: Mapping[str, float] = field(default_factory=dict)

    def said(self) -> dict[str, Any]:
        """Return the measures as JSON holds them."""
        told: dict[str, Any] = {"code": self.label.text, "against": self.against}
        for name in SINGLE:
            one = getattr(self, name)
            if one is not None:
                told[name] = [one.value, one.sd]
        told["colours"] = {
            name: [[*c.before], [*c.after], c.ciede2000.value, c.ciede2000.sd]
            for name, c in self.colours.items()
        }
        return told | {"quality": dict(self.quality)}

    @classmethod
    def of_said(cls, told: Mapping[str, Any]) -> CouponMeasures:
        """Return the measures that JSON holds; ``CouponError`` when it holds something else."""
        try:
            against = told["against"]
            if against not in ("before", "artwork"):
                raise ValueError(f"against is {against!r}")
            return cls(
                Label.of(told["code"]),
                against,
                **{name: Measured(*told[name]) for name in SINGLE if name in told},
                colours={
                    str(name): ColourChange(lab_of(before), lab_of(after), Measured(value, sd))
                    for name, (before, after, value, sd) in told["colours"].items()
                },
                quality={str(name): float(value) for name, value in told["quality"].items()},
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise CouponError(f"measures: got {fields.quoted(told)}: {error}") from None


#: The measures that are one number, in the order in which they are told.
SINGLE = ("missing", "cracked", "line", "gap", "letters", "halo")


def lab_of(values: Any) -> Lab:
    """Return three numbers as a CIELAB colour."""
    lightness, a, b = (float(value) for value in values)
    return lightness, a, b
