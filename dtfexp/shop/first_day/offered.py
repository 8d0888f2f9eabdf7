"""Default answers for a fabric and a machine.

All of it is common practice on transfer benches, no source.
"""

from __future__ import annotations

import math
import re

from dtfexp.describe import units
from dtfexp.describe.calibration import machine_reach
from dtfexp.shop.first_day.reading import ends

PRESSURES = ("light", "medium", "firm")
#: Lowest temperature at which common powders bond, °C.
BONDS_FROM = 130.0
#: Allowance for a machine that was not measured, °C.
UNMEASURED = 3.0
_COTTON, _OTHER = 160.0, 149.0
_REACH = {"cure": 15.0, "press": 20.0}
#: Words for cloth that firm pressure marks or that melts: fabrics other than cotton, and coated
#: ones. Anything not known to be cotton counts as one of them.
_COTTON_WORDS = re.compile(r"cotton|denim|canvas|calico|muslin|twill|baumwoll", re.I)
_OTHER_WORDS = re.compile(
    r"poly|nylon|coat|shell|rain|elast|spandex|lycra|acryl|visc|rayon|fleece|pvc|vinyl|\bpu\b|"
    r"leather|neoprene|blend|mix|wool|silk|satin|micro|mesh|waterproof|/",
    re.I,
)
#: Answers that show the form: a range of test presses; display, coldest and hottest spot.
EXAMPLE_RANGE = {"°C": "140 175", "°F": "285 345"}
EXAMPLE_READING = {"°C": "160 152 163", "°F": "320 306 325"}
Reading = tuple[float, float, float] | None


def is_cotton(name: str) -> bool:
    """Return whether a fabric's name says cotton and nothing else."""
    return bool(_COTTON_WORDS.search(name)) and not _OTHER_WORDS.search(name)


def tidy(value: float) -> float:
    """Return a value rounded to the nearest 5, as dials are set."""
    return 5.0 * round(value / 5.0)


def spread(reading: Reading, unit: str) -> float:
    """Return half of coldest to hottest; the allowance when not measured."""
    if reading is None:
        return (
            tidy(units.convert_difference(UNMEASURED, "°C", unit)) if unit == "°F" else UNMEASURED
        )
    _, cold, hot = reading
    return round(max((hot - cold) / 2, 1.0), 1)


def readings(reading: Reading) -> tuple[tuple[float, float], ...]:
    """Return the pair (set, mean reached) of a measured machine."""
    return () if reading is None else ((reading[0], (reading[1] + reading[2]) / 2),)


def highest_dial(reading: Reading, unit: str, limit: float) -> float:
    """Return the highest whole degree on the dial at which nothing above ``limit`` is reached."""
    machine = machine_reach(readings(reading), (), spread(reading, unit))
    return float(math.floor(machine.highest_set(limit) + 1e-6))


def press_temperature(name: str, unit: str, highest: float | None) -> float:
    """Return the usual press temperature of a fabric, within its highest dial."""
    told = tidy(units.convert(_COTTON if is_cotton(name) else _OTHER, "°C", unit))
    return told if highest is None else min(told, 5.0 * math.floor(highest / 5.0))


def cure_temperature(unit: str) -> float:
    """Return the usual cure temperature."""
    return tidy(units.convert(125.0, "°C", unit))


def temperatures(stage: str, usual: float, unit: str, highest: float | None) -> tuple[float, float]:
    """Return the range of test presses around today's temperature."""
    wide = tidy(units.convert_difference(_REACH[stage], "°C", unit))
    high = usual + wide
    if highest is not None:
        high = max(usual, min(high, 5.0 * math.floor(highest / 5.0)))
    coldest, hottest = ends(unit)
    return max(min(usual - wide, high - wide / 2), coldest), min(high, hottest)


def pressures(name: str, usual: str) -> tuple[str, ...]:
    """Return the pressures for test presses: firm on cotton only, or where used today."""
    return PRESSURES if is_cotton(name) or usual == "firm" else PRESSURES[:2]
