"""What test presses use up: film, powder, garments or swatches, and what these cost.

The defaults are common practice, no source: replace them by your own sizes and prices.
"""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import fields as fields_of

from dtfexp.describe import fields
from dtfexp.describe.errors import SessionError

PRICES = ("film_per_m2", "powder_per_kg", "garment_each", "hour")
_ABOVE_ZERO = ("coupon_width", "coupon_height", "film_width")


@dataclass(frozen=True)
class Supplies:
    """Sizes, amounts and prices.

    ``coupon_width`` and ``coupon_height`` of one test print, ``gap`` between two and
    ``film_width``, the width that can be printed, in mm; ``powder_grams_per_m2`` of coupon, what
    is shaken off and lost included; ``coupons_per_garment``: test prints on one garment (1: a
    swatch for each). Prices, None where not known, in ``currency``: ``film_per_m2``,
    ``powder_per_kg``, ``garment_each`` and ``hour`` (of the person at the bench).

    Raises ``SessionError`` for a value that makes no sense or a coupon wider than the film.
    """

    coupon_width: float = 90.0
    coupon_height: float = 90.0
    gap: float = 5.0
    film_width: float = 300.0
    powder_grams_per_m2: float = 30.0
    coupons_per_garment: int = 1
    film_per_m2: float | None = None
    powder_per_kg: float | None = None
    garment_each: float | None = None
    hour: float | None = None
    currency: str = ""

    def __post_init__(self) -> None:
        for field in fields_of(self):
            name, value = field.name, getattr(self, field.name)
            if name == "currency":
                value = fields.free_text(value, "supplies", name).strip()
            elif name == "coupons_per_garment":
                value = fields.whole_number(value, "supplies", name, 1, 1000)
            elif value is not None or name not in PRICES:
                value = fields.not_negative(value, "supplies", name)
            if name in _ABOVE_ZERO and not value:
                raise SessionError(f"supplies: {name} is 0; it must be above 0, in mm")
            object.__setattr__(self, name, value)
        if min(self.coupon_width, self.coupon_height) > self.film_width:
            raise SessionError(
                f"supplies: a coupon of {self.coupon_width:g} x {self.coupon_height:g} mm does not "
                f"fit on film_width {self.film_width:g} mm"
            )
