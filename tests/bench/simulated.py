"""Invented benches with a hidden truth, none of them the demo's and none of the model's own form.

Each bench has four settings, two outcomes graded 1 to 5 (accept 4), oven-load and press-round luck
shared by both outcomes, machine spread on every press and press noise on every grade.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr
from scipy.stats import qmc

from dtfexp import Factor, Outcome, Session
from dtfexp.dialin.encode.cure_look import LOOKS
from dtfexp.maths.boxes.box import largest_box

FAMILIES = ("dose", "smooth", "cliff", "narrow", "saddle", "none")
FACTORS = (
    Factor("cure temperature", 105, 150, "°C", step=1, stage="cure", spread=3, usual=125),
    Factor("cure time", 30, 120, "s", step=5, stage="cure", spread=2, usual=60),
    Factor("press temperature", 135, 185, "°C", step=1, hard_to_change=True, spread=3, usual=160),
    Factor("press time", 6, 26, "s", step=1, spread=0.5, usual=15),
)
NAMES = tuple(f.name for f in FACTORS)
_GH, _GW = np.polynomial.hermite_e.hermegauss(7)
_GW = _GW / _GW.sum()
_WOBBLE = 2.0 * qmc.Sobol(4, scramble=False).random(16) - 1.0


def session(fabrics: tuple[str, ...] = ("cotton",)) -> Session:
    """The session every simulated bench uses."""
    return Session("simulated", FACTORS, (Outcome("peel"), Outcome("wash")), fabrics)


@dataclass(frozen=True)
class Bench:
    """One hidden truth: ``quality`` maps settings (n, 4) in their units to grades (n, 2)."""

    family: str
    quality: dict[str, Callable[[np.ndarray], np.ndarray]]
    load_sd: float
    round_sd: float
    noise: float
    session: Session

    def press(self, runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        """Grades for planned runs; luck is drawn for each load and round met here."""
        out = runs.copy()
        load = {k: rng.normal(0, self.load_sd) for k in sorted(set(runs["oven_load"]))}
        round_ = {k: rng.normal(0, self.round_sd) for k in sorted(set(runs["press_round"]))}
        spread = np.array([f.spread for f in FACTORS])
        really = runs.assign(
            **{n: runs[f"{n}_actual"].fillna(runs[n]) for n in NAMES if f"{n}_actual" in runs}
        )
        x = really[list(NAMES)].to_numpy(dtype=float)
        x = x + spread * rng.uniform(-1, 1, x.shape)
        luck = runs["oven_load"].map(load).to_numpy() + runs["press_round"].map(round_).to_numpy()
        quality = np.empty((len(runs), 2))
        for fabric in set(runs["fabric"]):
            rows = (runs["fabric"] == fabric).to_numpy()
            quality[rows] = self.quality[fabric](x[rows])
        quality = quality + luck[:, None] + rng.normal(0, self.noise, quality.shape)
        grades = np.clip(np.round(quality), 1, 5)
        out["peel"], out["wash"] = grades[:, 0], grades[:, 1]
        return out

    def true_pass(self, x: np.ndarray, fabric: str = "cotton") -> np.ndarray:
        """True pass rate of a new press at set-points (n, 4): exact but for the spread's 16
        nodes."""
        spread = np.array([f.spread for f in FACTORS])
        out = np.zeros(len(x))
        luck_sd = np.hypot(self.load_sd, self.round_sd)
        for wobble in _WOBBLE:
            q = self.quality[fabric](x + spread * wobble)
            for node, weight in zip(_GH, _GW, strict=True):
                chance = ndtr((q + luck_sd * node - 3.5) / self.noise)
                out += weight / len(_WOBBLE) * chance.prod(axis=1)
        return out

    def true_window(
        self, fabric: str = "cotton", required: float = 0.9
    ) -> tuple[float, np.ndarray]:
        """Volume of the largest truly good box (product of widths over spread), and grid's best."""
        axes = [
            np.arange(f.low, f.high + 0.01, by) for f, by in zip(FACTORS, (2, 5, 2, 1), strict=True)
        ]
        mesh = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
        shape = tuple(map(len, axes))
        good = (self.true_pass(mesh, fabric) >= required).reshape(shape)
        unit = [f.spread for f in FACTORS]
        box = largest_box(good, axes, unit, min_width=[2.0 * u for u in unit])
        box = box or largest_box(good, axes, unit)
        if box is None:
            return 0.0, np.array(0.0)
        widths = [a[h] - a[lo] for a, lo, h in zip(axes, box.lo, box.hi, strict=True)]
        return float(np.prod(np.array(widths) / unit)), np.array(widths)


# Settings of the press among which the best one is sought for each cure.
_PRESSED = np.stack(np.meshgrid(np.linspace(135, 185, 11), np.linspace(6, 26, 11)), -1)
_PRESSED = _PRESSED.reshape(-1, 2)


class Eye:
    """What somebody sees of a cured load: a noisy function of the true cure, not of the model's.

    The true cure of a load is its dose (temperature and log time in half-ranges) from the best one
    of this bench, in multiples of the way to the dose at which no press setting passes any more:
    -1 and 1 are the true edges of the cure.  A load is called grainy below about -1 and browned
    above about 1.  What looks right is not quite what presses well: each edge is off by N(0,
    ``bias``), the eye counts temperature against time exp(N(0, 0.25)) times, and every load is
    seen with an error N(0, ``error``); ``wrong`` of the looks are written down at random.
    """

    def __init__(
        self,
        bench: Bench,
        rng: np.random.Generator,
        bias: float = 0.25,
        error: float = 0.35,
        wrong: float = 0.03,
    ) -> None:
        self.rng, self.error, self.wrong = rng, error, wrong
        self.edges = np.array([-1.0, 1.0]) + rng.normal(0, bias, 2)
        self.tilt = np.exp(rng.normal(0, 0.25))
        (temperature, time), step = FACTORS[:2], 0.05
        doses = np.arange(-2.0, 2.01, step)
        best = np.empty(len(doses))
        for k, dose in enumerate(doses):
            # The same dose as hot and short, both alike, and long: the best of them counts.
            split = np.array([0.2, 0.35, 0.5, 0.65, 0.8]) * dose
            cures = np.column_stack([split, dose - split])
            x = np.column_stack(
                [
                    np.repeat(temperature.usual + 22.5 * cures[:, 0], len(_PRESSED)),
                    np.repeat(time.usual * np.exp(0.7 * cures[:, 1]), len(_PRESSED)),
                    np.tile(_PRESSED, (len(cures), 1)),
                ]
            )
            best[k] = bench.quality["cotton"](x).min(axis=1).max()
        top = int(np.argmax(best))
        bad = best < min(3.5, best[top] - 0.4)
        low = doses[np.flatnonzero(bad[:top])[-1]] if bad[:top].any() else doses[0]
        high = doses[top + np.flatnonzero(bad[top:])[0]] if bad[top:].any() else doses[-1]
        self.middle, self.half = 0.5 * (low + high), 0.5 * (high - low)

    def look(self, runs: pd.DataFrame) -> pd.DataFrame:
        """The runs with the look of every load in ``cure_look``."""
        share = self.tilt / (1.0 + self.tilt)
        temperature = (runs["cure temperature"] - FACTORS[0].usual) / 22.5
        time = np.log(runs["cure time"] / FACTORS[1].usual) / 0.7
        dose = 2.0 * (share * temperature + (1.0 - share) * time)
        seen = {}
        for load, some in dose.groupby(runs["oven_load"]):
            cure = (some.mean() - self.middle) / self.half + self.rng.normal(0, self.error)
            word = int(np.searchsorted(self.edges, cure))
            guess = int(self.rng.integers(3))
            seen[load] = LOOKS[guess if self.rng.random() < self.wrong else word]
        return runs.assign(cure_look=runs["oven_load"].map(seen))

    def cured_on(self, runs: pd.DataFrame, seconds: float = 30.0, times: int = 3) -> pd.DataFrame:
        """The same as somebody would do who cures a grainy load on, and looks again, up to so many
        times: the cure time it got stands in ``cure time_actual``."""
        looked = self.look(runs).assign(**{"cure time_actual": np.nan})
        for _ in range(times):
            grainy = looked["cure_look"] == "grainy"
            if not grainy.any():
                break
            got = looked["cure time_actual"].fillna(looked["cure time"])
            again = looked[grainy].assign(**{"cure time": got[grainy] + seconds})
            looked.loc[grainy, "cure time_actual"] = again["cure time"]
            looked.loc[grainy, "cure_look"] = self.look(again)["cure_look"]
        return looked


def _codes(x: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Settings as distance from this bench's own best place, in half-ranges."""
    out = np.empty_like(x)
    for i, f in enumerate(FACTORS):
        out[:, i] = (x[:, i] - f.usual) / (0.5 * (f.high - f.low)) - shift[i]
    return out


def _dose(rng: np.random.Generator, width: float, top: float) -> Callable[..., np.ndarray]:
    """Temperature and time add up to a dose in each stage; too little and too much both fail."""
    slope = rng.uniform(0.5, 1.0, 4)
    centre = rng.normal(0, 0.25, 2)
    half = width * rng.uniform(0.8, 1.25, 2)
    mix = rng.uniform(0.1, 0.4)
    steep = rng.uniform(4, 7)

    def quality(x: np.ndarray, shift: np.ndarray) -> np.ndarray:
        t = [np.log(np.maximum(x[:, i], 1) / FACTORS[i].usual) / 0.7 for i in (1, 3)]
        z = [
            (x[:, i] - FACTORS[i].usual) / (0.5 * (FACTORS[i].high - FACTORS[i].low))
            for i in (0, 2)
        ]
        cure = slope[0] * z[0] + slope[1] * t[0] - centre[0] - shift[0]
        press = slope[2] * z[1] + slope[3] * t[1] - centre[1] - shift[2] - mix * cure
        under_cure = np.logaddexp(0, steep * (-cure - half[0])) / steep
        over_cure = np.logaddexp(0, steep * (cure - half[0])) / steep
        under_press = np.logaddexp(0, steep * (-press - half[1])) / steep
        over_press = np.logaddexp(0, steep * (press - half[1])) / steep
        peel = top - 5.0 * (over_cure + over_press) - 3.0 * under_press
        wash = top - 6.0 * (under_cure + under_press) - 1.0 * over_press
        return np.column_stack([peel, wash])

    return quality


def _smooth(rng: np.random.Generator) -> Callable[..., np.ndarray]:
    """A dome with waves on it."""
    curve = rng.uniform(1.0, 2.2, (2, 4))
    wave = rng.normal(0, 1, (2, 6, 4)) * 1.5
    phase = rng.uniform(0, 2 * np.pi, (2, 6))
    height = rng.uniform(0.1, 0.35, (2, 6))

    def quality(x: np.ndarray, shift: np.ndarray) -> np.ndarray:
        z = _codes(x, shift)
        out = []
        for o in range(2):
            dome = -(curve[o] * np.sqrt(0.05 + z**2) * np.abs(z)).sum(axis=1)
            waves = (height[o] * np.sin(z @ wave[o].T + phase[o])).sum(axis=1)
            out.append(4.9 + dome + waves)
        return np.column_stack(out)

    return quality


def _cliff(rng: np.random.Generator) -> Callable[..., np.ndarray]:
    """A high plateau with sharp cliffs on slanting sides."""
    turn = np.eye(4) + rng.normal(0, 0.2, (4, 4))
    half = rng.uniform(0.35, 0.7, 4)
    sharp = rng.uniform(8, 16)
    outcome_of = rng.integers(0, 2, (4, 2))

    def quality(x: np.ndarray, shift: np.ndarray) -> np.ndarray:
        z = _codes(x, shift) @ turn
        keep = np.ones((len(z), 2))
        for i in range(4):
            for side, sign in enumerate((1.0, -1.0)):
                inside = expit(sharp * (half[i] - sign * z[:, i]))
                keep[:, outcome_of[i, side]] *= inside
        return 1.2 + 3.8 * keep

    return quality


def _saddle(rng: np.random.Generator) -> Callable[..., np.ndarray]:
    """A bent ridge: the best press temperature moves with the cure, one outcome one-sided."""
    bend = rng.uniform(0.3, 0.8)
    curve = rng.uniform(2.5, 5.0, 4)
    tilt = rng.uniform(0.8, 1.6)

    def quality(x: np.ndarray, shift: np.ndarray) -> np.ndarray:
        z = _codes(x, shift)
        moved = z[:, 2] - bend * z[:, 0] ** 2 + 0.3 * z[:, 3]
        peel = 5.0 - curve[0] * z[:, 0] ** 2 - curve[2] * moved**2 - curve[3] * z[:, 3] ** 2
        dose = 0.6 * z[:, 0] + 0.5 * z[:, 1] + 0.6 * z[:, 2] + 0.3 * z[:, 3]
        wash = 1.0 + 4.0 * expit(4.0 * tilt * (dose + 0.45)) - curve[1] * z[:, 1] ** 2 * 0.6
        return np.column_stack([peel, wash])

    return quality


def bench(family: str, seed: int, fabrics: tuple[str, ...] = ("cotton",)) -> Bench:
    """A bench of a family; the same seed gives the same bench."""
    rng = np.random.default_rng([FAMILIES.index(family), seed])
    make = {
        "dose": lambda: _dose(rng, 0.42, 4.9),
        "smooth": lambda: _smooth(rng),
        "cliff": lambda: _cliff(rng),
        "narrow": lambda: _dose(rng, 0.30, 4.9),
        "saddle": lambda: _saddle(rng),
        "none": lambda: _dose(rng, 0.25, rng.uniform(2.6, 3.6)),
    }[family]
    base = make()
    shift = rng.normal(0, 0.22, 4)
    quality = {}
    for fabric in fabrics:
        # Cure belongs to the film: fabrics differ in the press stage.
        moved = shift + np.concatenate([np.zeros(2), rng.normal(0, 0.15, 2)])
        quality[fabric] = lambda x, moved=moved: base(x, moved)
    return Bench(
        family=family,
        quality=quality,
        load_sd=rng.uniform(0.1, 0.25),
        round_sd=rng.uniform(0.1, 0.25),
        noise=rng.uniform(0.25, 0.4),
        session=session(fabrics),
    )


def eased(
    truth: Bench, seed: int, wide: float = 1.5, calm: float = 0.6, off: float = 0.25
) -> Bench:
    """A kinder bench of the same form: ``wide`` times as much room on every side, ``calm`` times
    the noise and luck, its best place ``off`` (sd, half-ranges) farther from the usual settings."""
    rng = np.random.default_rng([7, FAMILIES.index(truth.family), seed])
    usual = np.array([float(f.usual) for f in FACTORS])
    half = np.array([0.5 * (f.high - f.low) for f in FACTORS])
    moved = rng.normal(0, off, len(FACTORS)) * half

    def eased_quality(x: np.ndarray, of: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        return of(np.maximum(usual + (x - usual - moved) / wide, 0.5))

    quality = {name: lambda x, of=of: eased_quality(x, of) for name, of in truth.quality.items()}
    luck = {name: calm * getattr(truth, name) for name in ("noise", "load_sd", "round_sd")}
    return replace(truth, quality=quality, **luck)


def with_wrong_grades(
    results: pd.DataFrame, presses: Iterable[int], rng: np.random.Generator
) -> pd.DataFrame:
    """Results in which each of these presses (rows of the index) has any other grade once."""
    out = results.copy()
    for row in presses:
        outcome = ("peel", "wash")[rng.integers(2)]
        others = [float(grade) for grade in range(1, 6) if grade != out.loc[row, outcome]]
        out.loc[row, outcome] = float(rng.choice(others))
    return out
