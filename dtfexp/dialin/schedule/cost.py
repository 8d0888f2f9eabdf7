"""The cost of a plan: hours, garments, film, powder, money; and what a cheaper order loses."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from dtfexp.describe.fields import count_phrase
from dtfexp.describe.html_text import escape
from dtfexp.describe.resources import Supplies
from dtfexp.describe.session import Session
from dtfexp.dialin.schedule.layout import changeover_counts
from dtfexp.dialin.schedule.timeline import timeline

_WORTH_MINUTES = 1.0
_LOST = {
    "warm-up": "warming up oven and press",
    "press": "waiting for the press to reach its temperature",
    "oven": "waiting for the oven to reach its temperature",
    "cure": "standing by while a load cures",
    "rest": "letting cured film rest",
    "peel": "waiting for the peel",
    "cold peel": "waiting for the last coupons to get cold",
}


@dataclass(frozen=True)
class Film:
    """Coupons nested on the film.

    Number across, rows, length used in mm, area in m², and the share not covered by a coupon.
    """

    across: int
    rows: int
    length: float
    area: float
    waste: float


@dataclass(frozen=True)
class CheaperOrder:
    """The same presses in a cheaper order: minutes saved, and sentences on what is lost."""

    minutes: float
    gives_up: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Cost:
    """The cost of a plan.

    ``minutes``: at the bench, from switching on to the last grade; ``hands``: minutes of work among
    them; ``lost``: DataFrame what, minutes, of the waits, longest first; ``later``: minutes of
    grading after the washes; ``garments``: fabric -> number; ``film``; ``powder`` (g); ``money``:
    item -> price where given, with the total, empty without prices; ``wash_days``: from the presses
    to the last wash grade; ``monthly``: what failures cost a month, a sentence; ``cheaper``: None
    when no order of these presses saves a minute.
    """

    presses: int
    oven_loads: int
    press_rounds: int
    minutes: float
    hands: float
    lost: pd.DataFrame
    later: float
    garments: dict[str, int]
    film: Film
    powder: float
    money: dict[str, float]
    unpriced: tuple[str, ...]
    currency: str
    cheaper: CheaperOrder | None
    wash_days: int = 0
    monthly: str = ""

    @property
    def hours(self) -> float:
        """The person's hours, grading after the washes included."""
        return (self.minutes + self.later) / 60.0

    def lines(self) -> list[str]:
        """Return the cost as short sentences, for a terminal and a notebook."""
        pieces = ", ".join(f"{n} of {fabric}" for fabric, n in self.garments.items())
        out = [
            f"{minutes_text(self.minutes)} at the bench for "
            f"{count_phrase(self.presses, 'press', 'presses')} in "
            f"{count_phrase(self.oven_loads, 'oven load')} and "
            f"{count_phrase(self.press_rounds, 'press round')}.",
            f"Garments or swatches: {pieces or 'none'}.",
            f"Film: {self.film.length / 1000:.2f} m, {self.film.area:.2f} m², "
            f"{self.film.across} side by side, {self.film.waste:.0%} of it unprinted. "
            f"Powder: about {self.powder:.0f} g.",
        ]
        if self.later:
            out.append(
                f"The wash grades come about {count_phrase(self.wash_days, 'day')} later, with "
                f"{minutes_text(self.later)} of grading."
            )
        if self.money:
            items = ", ".join(
                f"{name} {value:.2f}" for name, value in self.money.items() if name != "total"
            )
            total = f"{self.money['total']:.2f} {self.currency}".rstrip()
            missing = f" No price is given for {', '.join(self.unpriced)}." if self.unpriced else ""
            out.append(f"Money: {total} ({items}).{missing}{self.monthly}")
        if len(self.lost):
            listed = "; ".join(
                f"{minutes_text(minutes)} {what}"
                for what, minutes in self.lost.head(3).itertuples(index=False)
            )
            out.append(f"Waiting time: {listed}.")
        if self.cheaper is None:
            out.append("No other order of these presses would save a minute.")
        else:
            out.append(
                f"A cheaper order would save {minutes_text(self.cheaper.minutes)}, but loses: "
                + " ".join(self.cheaper.gives_up)
            )
        return out

    def __repr__(self) -> str:
        return "\n".join(self.lines())

    def _repr_html_(self) -> str:
        return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in self.lines()) + "</ul>"


def cost(session: Session, runs: pd.DataFrame, supplies: Supplies | None = None) -> Cost:
    """Return the cost of a plan; ``runs``: ``Plan.runs``; ``supplies`` replace the session's."""
    used = session.supplies if supplies is None else supplies
    steps = timeline(session, runs)
    minutes = float(steps["end"].max()) if len(steps) else 0.0
    washed = sum(o.washes is not None for o in session.outcomes)
    later = len(runs) * washed * session.pace.grading_seconds / 60.0
    counts = runs["fabric"].value_counts(sort=False)
    garments = {str(f): -(-int(n) // used.coupons_per_garment) for f, n in counts.items()}
    film = coupons_side_by_side(used, len(runs))
    area = len(runs) * used.coupon_width * used.coupon_height / 1e6
    powder = area * used.powder_grams_per_m2
    amounts = {
        "film": (film.area, used.film_per_m2),
        "powder": (powder / 1000.0, used.powder_per_kg),
        "garments": (float(sum(garments.values())), used.garment_each),
        "time": ((minutes + later) / 60.0, used.hour),
    }
    money = {
        name: round(amount * price, 2)
        for name, (amount, price) in amounts.items()
        if price is not None
    }
    monthly = ""
    if money:
        money["total"] = round(sum(money.values()), 2)
        monthly = _monthly(used, money, len(runs))
    lost = _lost_information(steps)
    working = steps[(steps["at"] == "hands") & (steps["what"] != "wait")]
    return Cost(
        presses=len(runs),
        oven_loads=int(runs["oven_load"].nunique()),
        press_rounds=int(runs["press_round"].nunique()),
        minutes=minutes,
        hands=float((working["end"] - working["start"]).sum()),
        lost=lost,
        later=later,
        garments=garments,
        film=film,
        powder=powder,
        money=money,
        unpriced=tuple(n for n, (_, price) in amounts.items() if price is None) if money else (),
        currency=used.currency,
        cheaper=_cheaper(session, runs, minutes),
        wash_days=_wash_days(session, used),
        monthly=monthly,
    )


def _wash_days(session: Session, supplies: Supplies) -> int:
    """Return the days from press to the last wash grade: the washes, and a night to dry."""
    washes = max((o.washes or 0 for o in session.outcomes), default=0)
    return math.ceil(washes / supplies.washes_per_day) + 1 if washes else 0


def _monthly(supplies: Supplies, money: dict[str, float], presses: int) -> str:
    """Return what failing garments cost a month, beside the plan's price; "" where not known.

    A failed garment costs itself, and the film and powder of a press.
    """
    sold, failing = supplies.garments_per_month, supplies.failing_of_100
    if not sold or not failing or supplies.garment_each is None or not presses:
        return ""
    material = (money.get("film", 0.0) + money.get("powder", 0.0)) / presses
    lost = sold * failing / 100.0 * (supplies.garment_each + material)
    unit = f" {supplies.currency}".rstrip()
    return (
        f" At {sold:g} garments a month, {failing:g} of 100 failing, failures cost "
        f"{lost:.2f}{unit} a month: halving them saves {0.5 * lost:.2f}{unit} a month, and pays "
        f"for this plan in {money['total'] / (0.5 * lost):.1f} months."
    )


def coupons_side_by_side(supplies: Supplies, coupons: int) -> Film:
    """Return coupons side by side on the film, turned to use the shorter piece."""
    best: Film | None = None
    for wide, tall in (
        (supplies.coupon_width, supplies.coupon_height),
        (supplies.coupon_height, supplies.coupon_width),
    ):
        across = int((supplies.film_width + supplies.gap + 1e-9) // (wide + supplies.gap))
        if not across:
            continue
        rows = -(-coupons // across)
        length = max(rows * (tall + supplies.gap) - supplies.gap, 0.0)
        area = length * supplies.film_width / 1e6
        waste = 1.0 - coupons * wide * tall / 1e6 / area if area else 0.0
        if best is None or length < best.length:
            best = Film(min(across, coupons), rows, length, area, waste)
    return best if best is not None else Film(0, 0, 0.0, 0.0, 0.0)


def minutes_text(minutes: float) -> str:
    """Return minutes in words: "1 h 25 min"."""
    whole = round(minutes)
    if whole < 1:
        return "less than a minute" if minutes > 0 else "0 min"
    hours, rest = divmod(whole, 60)
    parts = [f"{hours} h"] * bool(hours) + [f"{rest} min"] * bool(rest)
    return " ".join(parts)


def _lost_information(steps: pd.DataFrame) -> pd.DataFrame:
    waits = steps[steps["what"] == "wait"]
    by_cause = (waits["end"] - waits["start"]).groupby(waits["detail"], sort=False).sum()
    ordered = by_cause.sort_values(ascending=False, kind="stable")
    return pd.DataFrame(
        {"what": [_LOST[str(c)] for c in ordered.index], "minutes": ordered.to_numpy()}
    )


def _cheaper(session: Session, runs: pd.DataFrame, minutes: float) -> CheaperOrder | None:
    """Return the quickest of some simple orders if it saves a minute, and what it loses."""
    orders = [runs]
    if "block" in runs and runs["block"].nunique() > 1:
        orders.append(runs.drop(columns="block"))
    best, saved = None, _WORTH_MINUTES
    for first in ("press", "cure"):
        for given in orders:
            other = _sorted_order(session, given, first)
            quicker = minutes - float(timeline(session, other)["end"].max()) if len(other) else 0.0
            if quicker >= saved + 1e-9:
                best, saved = other, quicker
    if best is None:
        return None
    now, then = changeover_counts(session, runs), changeover_counts(session, best)
    gives_up = []
    if "block" in runs and "block" not in best:
        gives_up.append("The blocks: the luck of a day, roll or lot would look like an effect.")
    for what, noun, of in (
        ("oven_loads", "oven load", "cure"),
        ("press_rounds", "press round", "press"),
    ):
        fewer = int(now[what] - then[what])
        if fewer > 0:
            gives_up.append(
                f"{count_phrase(fewer, noun)}: fewer repeats of the same {of} settings, so "
                f"a bad {noun.split()[1]} is harder to separate from bad settings."
            )
    gives_up.append(
        "The random order: like presses follow each other, so a drift during the session looks "
        "like an effect of the settings."
    )
    return CheaperOrder(saved, tuple(gives_up))


def _sorted_order(session: Session, runs: pd.DataFrame, first: str) -> pd.DataFrame:
    """Return the presses of each block sorted by slow settings, in the fewest loads and rounds.

    ``first`` is the stage changed least often.
    """
    cure = [f.name for f in session.factors if f.stage == "cure"]
    hard = [f.name for f in session.factors if f.stage == "press" and f.hard_to_change]
    slow = [f.name for f in session.factors if f.stage == "press" and f.is_temperature]
    platen = list(dict.fromkeys([*slow, *hard]))
    heat_first = sorted(cure, key=lambda name: not session.factor(name).is_temperature)
    keys = [*platen, *heat_first] if first == "press" else [*heat_first, *platen]
    parts, loads, rounds = [], 0, 0
    blocks = runs["block"] if "block" in runs else pd.Series("", index=runs.index)
    for label in dict.fromkeys(blocks):
        part = runs[blocks == label]
        part = (part.sort_values(keys, kind="stable") if keys else part).copy()
        part["oven_load"], loads = _batch_numbers(part, cure, session.coupons_per_load, loads)
        part["press_round"], rounds = _batch_numbers(part, hard, session.presses_per_round, rounds)
        parts.append(part)
    out = pd.concat(parts, ignore_index=True) if parts else runs.copy()
    out["press"] = range(1, len(out) + 1)
    return out


def _batch_numbers(
    runs: pd.DataFrame, names: Iterable[str], most: int, made: int
) -> tuple[list[int], int]:
    """Return a batch number for each press: equal settings share a batch until it is full."""
    columns = [runs[name].tolist() for name in names]
    open_batch: dict[tuple[Any, ...], tuple[int, int]] = {}
    numbers = []
    for key in zip(*columns, strict=True) if columns else [()] * len(runs):
        number, held = open_batch.get(key, (0, most))
        if held >= most:
            made += 1
            number, held = made, 0
        open_batch[key] = (number, held + 1)
        numbers.append(number)
    return numbers, made
