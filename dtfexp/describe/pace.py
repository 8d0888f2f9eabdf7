"""How fast a bench works: heating and cooling, hands, waits. Only the clock of a plan needs it.

The defaults are common practice, no source: replace them by what your own bench takes.
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
    ``unit`` (°C or °F). Where one is not given (None), every change of temperature takes the
    session's ``change_over_minutes``; where it is, the degrees at that rate and then
    ``settle_minutes``.

    In seconds: ``cure_seconds`` and ``press_seconds`` where the plan does not vary them;
    ``load_seconds`` to lay one load into the oven and take it out; ``rest_seconds`` from cure to
    press; ``handling_seconds`` to lay garment and transfer and pre-press; ``hot_peel_seconds``,
    ``warm_peel_seconds``, ``cold_peel_seconds``: the wait before the peel, by the word of a
    peel-stage setting (hot where there is none; a numeric peel-stage time is taken as it is);
    ``peel_seconds`` for the peel itself; ``finish_seconds`` for the second press;
    ``grading_seconds`` for each outcome that is judged on a press.

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

    def __post_init__(self) -> None:
        for field in fields_of(self):
            value = getattr(self, field.name)
            if field.name == "unit":
                value = units.canonical(value)
                if not units.is_temperature(value):
                    raise SessionError(f"pace: unit is {value!r}; rates are in °C or °F a minute")
            elif field.default is not None:
                value = fields.not_negative(value, "pace", field.name)
            elif value is not None:
                value = fields.number(value, "pace", field.name, "degrees a minute, above 0")
                if value <= 0:
                    raise SessionError(
                        f"pace: {field.name} is {value:g}; it must be degrees a minute, above 0"
                    )
            object.__setattr__(self, field.name, value)
