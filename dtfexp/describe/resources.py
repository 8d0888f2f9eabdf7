"""How fast a bench works, and what its test presses cost.

The defaults are common practice, no source: replace them by your own figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import fields as fields_of

from dtfexp.describe import fields, units
from dtfexp.describe.errors import SessionError


@dataclass(frozen=True)
class Pace:
    """Rates and waits of the bench.

    ``oven_heating``, ``oven_cooling``, ``press_heating``, ``press_cooling``: degrees a minute, in
    ``unit`` (°C or °F). Without a rate (None), every change of temperature takes the session's
    ``change_over_minutes``; with one, the time at that rate plus ``settle_minutes``.

    In seconds: ``cure_seconds`` and ``press_seconds`` where the plan does not vary them;
    ``load_seconds`` to fill and empty the oven once; ``rest_seconds`` from cure to press;
    ``handling_seconds`` to lay garment and transfer and pre-press; ``hot_peel_seconds``,
    ``warm_peel_seconds``, ``cold_peel_seconds``: the wait before the peel, by the word of a
    peel-stage setting (hot without one; a numeric peel-stage time is used as it is);
    ``peel_seconds`` for the peel itself; ``finish_seconds`` for the finish press;
    ``grading_seconds`` for each outcome judged on a press.

    ``heated_length`` of a conveyor oven, such as "120 cm" or "48 in" (a number is in cm), converts
    a cure-stage speed to the time in the heat (``dwell_seconds``).

    Raises ``SessionError`` for a value that is not a time or a rate.
    """

    oven_heating: float | None = None
    oven_cooling: float | None = None
    press_heating: float | None = None
    press_cooling: float | None = None
    unit: str = "°C"
    settle_minutes: float = 2.0
    cure_seconds: float = 60.0
    press_seconds: float = 15.0
    load_seconds: float = 60.0
    rest_seconds: float = 10.0
    handling_seconds: float = 45.0
    hot_peel_seconds: float = 3.0
    warm_peel_seconds: float = 30.0
    cold_peel_seconds: float = 180.0
    peel_seconds: float = 10.0
    finish_seconds: float = 8.0
    grading_seconds: float = 30.0
    heated_length: float | None = None

    def __post_init__(self) -> None:
        for field in fields_of(self):
            value = getattr(self, field.name)
            if field.name == "unit":
                value = units.canonical(value)
                if not units.is_temperature(value):
                    raise SessionError(f"pace: unit is {value!r}; rates are in °C or °F a minute")
            elif field.name == "heated_length":
                value = None if value is None else as_length(value)
            elif field.default is not None:
                value = fields.not_negative(value, "pace", field.name)
            elif value is not None:
                value = fields.number(value, "pace", field.name, "degrees a minute, above 0")
                if value <= 0:
                    raise fields.refusal(f"pace, {field.name}", value, "degrees a minute, above 0")
            object.__setattr__(self, field.name, value)

    def dwell_seconds(self, speed: float, unit: str) -> float | None:
        """Return the seconds in the heat at a conveyor speed: heated length over speed.

        None where the length is not known or the belt stands still.
        """
        per_minute = units.convert(speed, unit, "m/min")
        if self.heated_length is None or per_minute <= 0:
            return None
        return 60.0 * units.convert(self.heated_length, "cm", "mm") / 1000.0 / per_minute

    def dwell_note(self, speed: object, unit: str) -> str:
        """Return the dwell as text, "about 60 s"; "" for a setting that is not a speed."""
        if units.kind(unit) != "speed":
            return ""
        seconds = self.dwell_seconds(float(str(speed)), unit)
        return "" if seconds is None else f"about {seconds:.0f} s"


def as_length(value: object) -> float:
    """Return a length in cm, from a number or text such as "48 in"."""
    number, unit = value, "cm"
    if isinstance(value, str):
        digits = value.strip().rstrip("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ. ")
        number = fields.number_from_text(digits)
        unit = value.strip()[len(digits) :].strip() or "cm"
    accepted = 'a length above 0 such as "120 cm" or "48 in"'
    if number is None or units.kind(unit) != "length":
        raise fields.refusal("pace, heated_length", value, accepted)
    length = fields.number(number, "pace", "heated_length", accepted)
    if length <= 0:
        raise fields.refusal("pace, heated_length", length, accepted)
    return round(float(units.convert(length, unit, "cm")), 6)


PRICES = ("film_per_m2", "powder_per_kg", "garment_each", "hour")
_KNOWN_OR_NOT = (*PRICES, "garments_per_month", "failing_of_100")
_ABOVE_ZERO = ("coupon_width", "coupon_height", "film_width", "washes_per_day")


@dataclass(frozen=True)
class Supplies:
    """Sizes, amounts and prices.

    ``coupon_width`` and ``coupon_height`` of one coupon (by default those of the test print that
    dtfexp draws), ``gap`` between two and ``film_width``, the printable width, in mm;
    ``powder_grams_per_m2`` of coupon, losses included; ``coupons_per_garment``: coupons on one
    garment (1: a swatch for each). Prices, None where not known, in ``currency``: ``film_per_m2``,
    ``powder_per_kg``, ``garment_each`` and ``hour`` (of the person at the bench).
    ``garments_per_month`` the shop sells and ``failing_of_100`` among them today, None where not
    known, say what failures cost. ``washes_per_day``: how often the coupons can be washed and dried
    in a day.

    Raises ``SessionError`` for an invalid value or a coupon wider than the film.
    """

    coupon_width: float = 90.0
    coupon_height: float = 111.2
    gap: float = 5.0
    film_width: float = 300.0
    powder_grams_per_m2: float = 30.0
    coupons_per_garment: int = 1
    film_per_m2: float | None = None
    powder_per_kg: float | None = None
    garment_each: float | None = None
    hour: float | None = None
    currency: str = ""
    garments_per_month: float | None = None
    failing_of_100: float | None = None
    washes_per_day: float = 2.0

    def __post_init__(self) -> None:
        for field in fields_of(self):
            name, value = field.name, getattr(self, field.name)
            if name == "currency":
                value = fields.free_text(value, "supplies", name).strip()
            elif name == "coupons_per_garment":
                value = fields.whole_number(value, "supplies", name, 1, 1000)
            elif value is not None or name not in _KNOWN_OR_NOT:
                value = fields.not_negative(value, "supplies", name)
            if name in _ABOVE_ZERO and not value:
                raise SessionError(f"supplies: {name} is 0; it must be above 0")
            object.__setattr__(self, name, value)
        if self.failing_of_100 is not None and self.failing_of_100 > 100:
            raise fields.refusal("supplies, failing_of_100", self.failing_of_100, "0 to 100")
        if min(self.coupon_width, self.coupon_height) > self.film_width:
            raise SessionError(
                f"supplies: a coupon of {self.coupon_width:g} x {self.coupon_height:g} mm does not "
                f"fit on film_width {self.film_width:g} mm"
            )
