"""The session described by the answers of the first day."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.shop.first_day import judging, offered, reading
from dtfexp.shop.first_day.question import LEFT_OUT, Chosen, fabrics

_PEEL = "peel warmth"


def session_of(answers: Mapping[str, Any]) -> Session:
    """Return the session; ``SessionError`` when the answers contradict each other."""
    unit = str(answers["unit"])
    chosen = fabrics(answers)
    pressed = [one for one in chosen if one.pressed]
    pressure = f"{pressed[0].key} pressure"
    factors = [
        _temperature("cure", [answers["cure temperature range"]], answers["cure temperature"],
                     answers["oven reading"], unit),
        _belt(answers["belt speed"], unit) if answers["belt"]
        else _time("cure", [answers["cure time"]]),
        _temperature("press", [answers[f"{one.key} temperature range"] for one in pressed],
                     answers[f"{pressed[0].key} temperature"], answers["press reading"], unit),
        _time("press", [answers[f"{one.key} time"] for one in pressed]),
    ]  # fmt: skip
    if answers[pressure] != LEFT_OUT:
        words = {word for one in pressed for word in answers[f"{one.key} pressure range"]}
        levels = [word for word in offered.PRESSURES if word in words]
        if len(levels) > 1:
            factors.append(
                Factor("pressure", levels=levels, ordered=True, stage="press",
                       usual=answers[pressure])
            )  # fmt: skip
    peels = answers.get("peels tried", ())
    if len(peels) > 1:
        # Begin with the longest wait, the safest.
        factors.append(Factor(_PEEL, levels=peels, stage="peel", usual=peels[-1]))
    fixed = peels[0] if len(peels) == 1 else "" if peels else answers["peel"]
    length = answers.get("heated length")
    return Session(
        answers["name"],
        factors,
        judging.outcomes(answers),
        [_fabric(one, answers, factors, unit) for one in pressed],
        coupons_per_load=answers["per load"],
        presses_per_round=answers["per round"],
        temperature_unit=unit,
        notes=_notes(chosen, answers, factors, unit),
        film=answers["film"],
        film_peel=fixed,
        oven=answers["oven"],
        press=answers["press"],
        pace=None if length is None else {"heated_length": length},
    )


def _temperature(
    stage: str,
    ranges: list[tuple[float, float]],
    usual: float,
    machine: offered.Reading,
    unit: str,
) -> Factor:
    spread = offered.spread(machine, unit)
    high = max(high for _, high in ranges)
    low = min(*(low for low, _ in ranges), high - spread)
    ends = [end for pair in ranges for end in pair]
    step = 5.0 if all((end - low) % 5 == 0 for end in ends) else 1.0
    return Factor(
        f"{stage} temperature", low, high, unit, step, stage, True, spread, usual,
        readings=offered.readings(machine),
    )  # fmt: skip


def _time(stage: str, usual: list[float]) -> Factor:
    by = reading.time_step(min(usual))
    low = max(by, by * round(min(usual) / 2 / by))
    high = by * round(2 * max(usual) / by)
    return Factor(f"{stage} time", low, high, "s", by, stage, spread=by / 2, usual=usual[0])


def _belt(usual: float, unit: str) -> Factor:
    """Return a factor of half to twice today's dwell, in steps of a tenth of today's speed."""
    per = "m/min" if unit == "°C" else "ft/min"
    return Factor("belt speed", round(usual / 2, 3), round(usual * 2, 3), per,
                  max(round(usual / 10, 3), 0.001), "cure", usual=usual)  # fmt: skip


def _fabric(one: Chosen, answers: Mapping[str, Any], factors: list[Factor], unit: str) -> Fabric:
    named = {factor.name: factor for factor in factors}
    usual: dict[str, Any] = {
        "press temperature": answers[f"{one.key} temperature"],
        "press time": answers[f"{one.key} time"],
    }
    ranges: dict[str, Any] = {}
    own = answers[f"{one.key} temperature range"]
    if own != named["press temperature"].bounds:
        ranges["press temperature"] = own
    if "pressure" in named:
        usual["pressure"] = answers[f"{one.key} pressure"]
        words = answers[f"{one.key} pressure range"]
        if words != named["pressure"].levels:
            ranges["pressure"] = words
    return Fabric(one.name, one.limit, unit, usual=usual, ranges=ranges)


def _notes(
    chosen: list[Chosen], answers: Mapping[str, Any], factors: list[Factor], unit: str
) -> str:
    """Return the answers that have no other place in the session."""
    lines = [
        f"{one.name} is left out: it takes {one.limit:g} {unit} at most, where common powders do "
        "not bond."
        for one in chosen
        if not one.pressed
    ]
    pressure = next((answers.get(f"{one.key} pressure") for one in chosen if one.pressed), None)
    if pressure not in (None, LEFT_OUT) and "pressure" not in [f.name for f in factors]:
        lines.append(f"Pressure is {pressure} throughout.")
    return "\n".join(lines)
