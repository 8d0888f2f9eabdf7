"""The demo bench: an INVENTED shop with an invented truth, not measured anywhere.

A made-up two-person shop in a rented garage wants settings for three fabrics. The true behaviour of
oven and heat press, the response of each fabric, and the batch effects of loads and rounds are a
formula and a generator, chosen to behave like a bench. The rest of dtfexp sees only what a shop
would see: settings out, grades in.

The hidden truth: cure and press are doses, and a hotter stage may be shorter (a factor e in time is
about 16 °C). Either dose can be too low or too high, and each outcome suffers in its own way. Cure
belongs to the film and is the same for every fabric; press belongs to the fabric. Both machines run
cooler than their displays, vary around what they reach, and have good and bad loads and rounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.outcome import Outcome
from dtfexp.describe.session import Session
from dtfexp.describe.units import convert

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

COTTON, POLYESTER, NYLON = "cotton jersey", "polyester interlock", "nylon shell"
#: Reached platen temperature, °C, at which 15 s is right for the fabric (invented).
BEST_PRESS = {COTTON: 151.0, POLYESTER: 145.0, NYLON: 137.0}
#: Width of a fabric's tolerance for a wrong press dose, relative to 1 (invented).
PRESS_ROOM = {COTTON: 1.15, POLYESTER: 1.0, NYLON: 0.9}
PRESSURE_WORDS = ("light", "medium", "firm")
#: Dose added by the pressure, and grades lost to it on peel and on wash (invented).
PRESSURE_DOSE = np.array([-0.18, 0.0, 0.12])
PRESSURE_PEEL = np.array([0.30, 0.0, 0.05])
PRESSURE_WASH = np.array([0.10, 0.0, 0.45])

OVEN_OFFSET, PRESS_OFFSET = -4.0, -3.0  # °C, reached minus shown
OVEN_SWING, PRESS_SWING = 3.0, 3.0  # °C, half-width around what is reached
LOAD_LUCK, ROUND_LUCK = 1.5, 1.2  # °C, standard deviation per load and per round
NOISE = 0.25  # grades, standard deviation of one press
CURE_REFERENCE, CURE_PER_E, CURE_BEST = 125.0, 16.0, 0.10  # °C, °C, dose
PRESS_PER_E = 18.0  # °C
TOP = 5.1  # grades, quality with nothing wrong


@dataclass(frozen=True)
class DemoBench:
    """The invented bench. ``fahrenheit`` labels its dials in °F; the truth stays the same."""

    fahrenheit: bool = False

    @property
    def session(self) -> Session:
        """Return the session the invented shop would describe."""
        return demo_session(self.fahrenheit)

    def press(self, runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        """Return a copy of a plan's ``runs`` with a grade for peel and for wash.

        Every load, round and press among the runs draws its random effect once from ``rng``; the
        same runs and the same generator give the same grades.
        """
        load = _shared(runs["oven_load"].to_numpy(), LOAD_LUCK, rng)
        turn = _shared(runs["press_round"].to_numpy(), ROUND_LUCK, rng)
        count = len(runs)
        oven = load + rng.uniform(-OVEN_SWING, OVEN_SWING, count)
        platen = turn + rng.uniform(-PRESS_SWING, PRESS_SWING, count)
        peel, wash = self._quality(runs, runs["fabric"].to_numpy(dtype=str), oven, platen)
        graded = runs.copy()
        graded["peel"] = as_grades(peel + NOISE * rng.standard_normal(count))
        graded["wash"] = as_grades(wash + NOISE * rng.standard_normal(count))
        return graded

    def pass_rate(self, settings: pd.DataFrame, fabric: str, rng: np.random.Generator) -> Array:
        """Return the hidden pass rate of a new press, one per row of ``settings`` (Monte Carlo).

        New load, new round, machine swing and press noise are drawn 2000 times; the standard error
        is at most 0.011. For tests: no shop can know this.
        """
        draws = 2000
        rates = []
        for position in range(len(settings)):
            row = settings.iloc[[position] * draws]
            oven = LOAD_LUCK * rng.standard_normal(draws)
            oven += rng.uniform(-OVEN_SWING, OVEN_SWING, draws)
            platen = ROUND_LUCK * rng.standard_normal(draws)
            platen += rng.uniform(-PRESS_SWING, PRESS_SWING, draws)
            peel, wash = self._quality(row, np.full(draws, fabric), oven, platen)
            peel = as_grades(peel + NOISE * rng.standard_normal(draws))
            wash = as_grades(wash + NOISE * rng.standard_normal(draws))
            rates.append(float(np.mean((peel >= 4) & (wash >= 4))))
        return np.array(rates)

    def _quality(
        self, runs: pd.DataFrame, fabrics: NDArray[np.str_], oven: Array, platen: Array
    ) -> tuple[Array, Array]:
        unit = "°F" if self.fahrenheit else "°C"
        words = [PRESSURE_WORDS.index(word) for word in runs["pressure"]]
        return quality(
            fabrics,
            np.asarray(convert(runs["cure_temperature"].to_numpy(float), unit, "°C")) + oven,
            runs["cure_time"].to_numpy(float),
            np.asarray(convert(runs["press_temperature"].to_numpy(float), unit, "°C")) + platen,
            runs["press_time"].to_numpy(float),
            np.array(words, dtype=int),
        )


def demo_session(fahrenheit: bool = False) -> Session:
    """Return the invented shop's description, in °C or, dial for dial, in °F."""
    if fahrenheit:
        cure: tuple[float, ...] = (230, 310, 5, 255, 5)  # low, high, step, usual, spread
        heat: tuple[float, ...] = (260, 350, 5, 300, 5)
        unit, limits = "°F", (311.0, 293.0)
    else:
        cure, heat = (110, 155, 5, 125, 3), (125, 175, 5, 150, 3)
        unit, limits = "°C", (155.0, 145.0)
    dials = (("cure_temperature", "cure", cure), ("press_temperature", "press", heat))
    oven, platen = (
        Factor(name, low, high, unit, step, stage, True, spread, usual)
        for name, stage, (low, high, step, usual, spread) in dials
    )
    return Session(
        f"Demo bench, invented ({unit})",
        [
            oven,
            Factor("cure_time", 30, 120, "s", 10, "cure", spread=3, usual=60),
            platen,
            Factor("press_time", 6, 24, "s", 1, "press", spread=1, usual=15),
            Factor("pressure", levels=PRESSURE_WORDS, ordered=True, stage="press", usual="medium"),
        ],
        [Outcome("peel"), Outcome("wash", washes=5)],
        [
            Fabric(COTTON, notes="black tees"),
            Fabric(POLYESTER, limits[0], unit, notes="club shirts; shines above its limit"),
            Fabric(NYLON, limits[1], unit, notes="wind jackets; puckers above its limit"),
        ],
        notes="An invented shop: no bench, fabric or number here is real.",
    )


def quality(
    fabrics: NDArray[np.str_],
    oven: Array,
    cure_time: Array,
    platen: Array,
    press_time: Array,
    pressure: NDArray[np.int_],
) -> tuple[Array, Array]:
    """Return the hidden quality of peel and wash, in grades before noise and rounding.

    ``oven`` and ``platen`` are the displays plus random effects and swing, °C; times in s;
    ``pressure`` indexes ``PRESSURE_WORDS``. All one entry per press.
    """
    cure = np.log(cure_time / 60.0) + (oven + OVEN_OFFSET - CURE_REFERENCE) / CURE_PER_E
    off_cure = cure - CURE_BEST
    raw, burnt = np.maximum(-off_cure, 0.0), np.maximum(off_cure, 0.0)

    best = np.array([BEST_PRESS[str(name)] for name in fabrics])
    room = np.array([PRESS_ROOM[str(name)] for name in fabrics])
    heat = np.log(press_time / 15.0) + (platen + PRESS_OFFSET - best) / PRESS_PER_E
    # An over-cured film needs more heat before it lets go.
    off_press = (heat + PRESSURE_DOSE[pressure] - 0.25 * burnt) / room
    cool, hot = np.maximum(-off_press, 0.0), np.maximum(off_press, 0.0)

    peel = TOP - (cool / 0.62) ** 2 - (hot / 0.60) ** 2 - (burnt / 0.58) ** 2 - (raw / 1.1) ** 2
    wash = TOP - (raw / 0.55) ** 2 - (cool / 0.66) ** 2 - (hot / 0.80) ** 2 - (burnt / 0.9) ** 2
    return peel - PRESSURE_PEEL[pressure], wash - PRESSURE_WASH[pressure]


def as_grades(latent: Array) -> Array:
    """Whole grades 1 to 5 from a quality in grades."""
    return np.asarray(np.clip(np.rint(latent), 1.0, 5.0), dtype=np.float64)


def _shared(groups: NDArray[np.int_], sd: float, rng: np.random.Generator) -> Array:
    names, index = np.unique(groups, return_inverse=True)
    return np.asarray(sd * rng.standard_normal(len(names)))[index]
