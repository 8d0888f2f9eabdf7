"""What is offered for a fabric and a machine before a person says otherwise.

All of it is common practice on transfer benches, no source.
"""

from __future__ import annotations

import math
import re

from dtfexp.describe import units
from dtfexp.describe.calibration import machine_reach

PRESSURES = ("light", "medium", "firm")
#: Below this common powders do not bond, °C.
BONDS_FROM = 130.0
#: A machine that was not measured is taken to be off by so much, °C.
UNMEASURED = 3.0
_COTTON, _OTHER = 160.0, 149.0
_REACH = {"cure": 15.0, "press": 20.0}
#: Words for cloth that squeezed ink and a firm platen mark, or that melts: fabrics other than
#: cotton, and coated ones. What is not known to be cotton counts as one of them.
_COTTON_WORDS = re.compile(r"cotton|denim|canvas|calico|muslin|twill|baumwoll", re.I)
_OTHER_WORDS = re.compile(
    r"poly|nylon|coat|shell|rain|elast|spandex|lycra|acryl|visc|rayon|fleece|pvc|vinyl|\bpu\b|"
    r"leather|neoprene|blend|mix|wool|silk|satin|micro|mesh|waterproof|/",
    re.I,
)
Reading = tuple[float, float, float] | None


def is_cotton(name: str) -> bool:
    """Whether a fabric's name says cotton and nothing beside it."""
    return bool(_COTTON_WORDS.search(name)) and not _OTHER_WORDS.search(name)


def tidy(value: float) -> float:
    """To the nearest 5: dials are set so."""
    return 5.0 * round(value / 5.0)


def spread(reading: Reading, unit: str) -> float:
    """Half of coldest to hottest; what is allowed for where nothing was measured."""
    if reading is None:
        return (
            tidy(units.convert_difference(UNMEASURED, "°C", unit)) if unit == "°F" else UNMEASURED
        )
    _, cold, hot = reading
    return round(max((hot - cold) / 2, 1.0), 1)


def readings(reading: Reading) -> tuple[tuple[float, float], ...]:
    """The pair (set, reached on average) of a measured machine."""
    return () if reading is None else ((reading[0], (reading[1] + reading[2]) / 2),)


def highest_dial(reading: Reading, unit: str, limit: float) -> float:
    """The highest whole degree on the dial at which nothing above ``limit`` is met."""
    machine = machine_reach(readings(reading), (), spread(reading, unit))
    return float(math.floor(machine.highest_set(limit) + 1e-6))


def press_temperature(name: str, unit: str, highest: float | None) -> float:
    """What most would press a fabric at, never past its highest dial."""
    told = tidy(units.convert(_COTTON if is_cotton(name) else _OTHER, "°C", unit))
    return told if highest is None else min(told, 5.0 * math.floor(highest / 5.0))


def cure_temperature(unit: str) -> float:
    """What most would cure at."""
    return tidy(units.convert(125.0, "°C", unit))


def temperatures(stage: str, usual: float, unit: str, highest: float | None) -> tuple[float, float]:
    """How far test presses go either way of what is set today."""
    wide = tidy(units.convert_difference(_REACH[stage], "°C", unit))
    high = usual + wide
    if highest is not None:
        high = max(usual, min(high, 5.0 * math.floor(highest / 5.0)))
    return min(usual - wide, high - wide / 2), high


def pressures(name: str, usual: str) -> tuple[str, ...]:
    """The pressures test presses may use: firm on cotton only, or where it is run today."""
    return PRESSURES if is_cotton(name) or usual == "firm" else PRESSURES[:2]
