"""The first day of a new bench: a checklist in the order of the day, and questions whose answers
make the session file.

Ranges and starting points that are offered are common practice on transfer benches, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dtfexp.book import values
from dtfexp.describe import units
from dtfexp.describe.errors import DtfexpError, SessionError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.outcome import Outcome
from dtfexp.describe.session import Session
from dtfexp.show.cautions import SHORT_CAUTIONS

CHECKLIST: tuple[str, ...] = (
    *SHORT_CAUTIONS[:2],
    "Read the care label of every fabric: its hottest iron is the limit of your press.",
    "Switch oven and heat press on; wait 10 min or more.",
    "Measure the warm platen and the warm oven bed at nine points, with a contact probe, or an "
    "infrared gun on a matte pad. Write down coldest and hottest.",
    "Print the nozzle pattern: no gaps, white too.",
    "Write down the lots of film, powder and ink, and when the powder was opened.",
    "Write down room temperature and humidity.",
    "Press one print with the settings you run today. It is your starting point.",
)

Ask = Callable[[str], str]
_MOST_TRIES = 5
#: Stage, its machine, where most begin and how far test presses go either way (°C).
_STAGES = (("cure", "oven", 125.0, 15.0), ("press", "heat press", 160.0, 20.0))
#: A dial of an oven or heat press stands between these, °C.
_COLDEST, _HOTTEST = 60.0, 250.0


@dataclass(frozen=True)
class Question:
    """One question: ``key`` of its answer, the words, the answer offered ("" for none), and how
    an answer is read (``DtfexpError`` or ``ValueError`` refuses it)."""

    key: str
    words: str
    offered: str
    read: Callable[[str], Any]


def questions(answers: Mapping[str, Any]) -> Iterator[Question]:
    """The questions in order; later ones look at the ``answers`` so far."""
    yield Question("name", "What do you call this dial-in", "My bench", _text)
    yield Question("unit", "Temperatures in °C or °F", "°C", _temperature_unit)
    unit = str(answers["unit"])
    yield Question(
        "fabrics",
        f"Fabrics, parted by commas; behind each the hottest press allowed in {unit}, if known",
        "cotton jersey",
        lambda told: _fabrics(told, unit),
    )
    for stage, machine, usual, reach in _STAGES:
        yield from _temperature(stage, machine, usual, reach, unit, answers)
        seconds = "60" if stage == "cure" else "15"
        yield Question(
            f"{stage} time", f"{stage.capitalize()} time you run today, in s", seconds, _seconds
        )
    yield Question(
        "pressure", "Pressure you run today: light, medium or firm (- to leave it out)", "medium",
        lambda told: _one_of(told, ("light", "medium", "firm", "-")),
    )  # fmt: skip
    yield Question("washes", "After how many washes do you grade", "5", _number_of)
    yield Question("per load", "Coupons that fit into one oven load", "6", _number_of)
    yield Question(
        "per round", "Presses before you set the press temperature again", "8", _number_of
    )


def _temperature(
    stage: str, machine: str, usual: float, reach: float, unit: str, answers: Mapping[str, Any]
) -> Iterator[Question]:
    key = f"{stage} temperature"
    offered = _tidy(units.convert(usual, "°C", unit))
    yield Question(
        key, f"{key.capitalize()} you run today, in {unit}", f"{offered:g}",
        lambda told: _degrees(told, unit),
    )  # fmt: skip
    now = float(answers[key])
    limits = [fabric.heat_limit for fabric in answers["fabrics"] if stage == "press"]
    wide = _tidy(units.convert_difference(reach, "°C", unit))
    yield Question(
        f"{key} range", f"Lowest and highest the test presses may use, in {unit}",
        f"{now - wide:g} {now + wide:g}", lambda told: _range(told, unit, now, limits),
    )  # fmt: skip
    yield Question(
        f"{key} spots",
        f"Coldest and hottest spot of the warm {machine}, in {unit} (Enter: not measured)",
        "",
        lambda told: _spots(told, unit),
    )


def ask_all(ask: Ask, tell: Callable[[str], None]) -> dict[str, Any]:
    """Put every question through ``ask``; a wrong answer is told and asked for again.

    Raises ``DtfexpError`` after five wrong answers to one question.
    """
    answers: dict[str, Any] = {}
    for question in questions(answers):
        for _ in range(_MOST_TRIES):
            told = ask(_prompt(question)).strip() or question.offered
            try:
                answers[question.key] = question.read(told)
                break
            except (DtfexpError, ValueError) as error:
                tell(f"  {' '.join(str(error).split())}")
        else:
            raise DtfexpError(f"{question.words}: no usable answer; nothing was written")
    return answers


def session_of(answers: Mapping[str, Any]) -> Session:
    """The session that the answers describe; ``SessionError`` when they do not fit together."""
    unit = str(answers["unit"])
    factors = []
    for stage in ("cure", "press"):
        key = f"{stage} temperature"
        low, high = answers[f"{key} range"]
        step = 5.0 if (high - low) % 5 == 0 else 1.0
        # Not measured: 3 °C either way, common practice, no source.
        spots = answers[f"{key} spots"]
        unknown = _tidy(units.convert_difference(3.0, "°C", unit))
        spread = unknown if spots is None else max((spots[1] - spots[0]) / 2, 1.0)
        factors.append(
            Factor(key, low, high, unit, step, stage, True, round(spread, 1), answers[key])
        )
        time = float(answers[f"{stage} time"])
        by = 5.0 if time >= 30 else 1.0
        factors.append(
            Factor(
                f"{stage} time",
                _on(time / 2, by),
                _on(2 * time, by),
                "s",
                by,
                stage,
                spread=by / 2,
                usual=time,
            )
        )
    if answers["pressure"] != "-":
        factors.append(
            Factor(
                "pressure",
                levels=("light", "medium", "firm"),
                ordered=True,
                stage="press",
                usual=str(answers["pressure"]),
            )
        )
    return Session(
        str(answers["name"]),
        factors,
        [Outcome("peel"), Outcome("wash", washes=int(answers["washes"]))],
        list(answers["fabrics"]),
        coupons_per_load=int(answers["per load"]),
        presses_per_round=int(answers["per round"]),
        temperature_unit=unit,
    )


def new_session(path: Path, ask: Ask, tell: Callable[[str], None]) -> Session:
    """The checklist, the questions, and the session file at ``path``, which must not be there."""
    if path.exists():
        raise SessionError(f"{path} is there already and stays as it is; choose another name")
    tell("The first day of a bench, in this order:")
    for number, line in enumerate(CHECKLIST, start=1):
        tell(f"{number:2d}. {line}")
    tell("\nNow the session. Enter takes what stands in brackets; all can be changed later.")
    session = session_of(ask_all(ask, tell))
    session.save(path)
    return session


def _prompt(question: Question) -> str:
    return question.words + (f" [{question.offered}]: " if question.offered else ": ")


def _text(told: str) -> str:
    return str(values.one_line(told, "a name"))


def _temperature_unit(told: str) -> str:
    unit = units.canonical(told)
    if not units.is_temperature(unit):
        raise SessionError(f"{told!r} is no temperature; write C or F")
    return unit


def _fabrics(told: str, unit: str) -> list[Fabric]:
    found = []
    for part in told.split(","):
        words = part.split()
        # "nylon shell 150", "nylon shell 150 C", "nylon shell 150C": the limit begins at a digit.
        at = next((k for k, word in enumerate(words) if word[0].isdigit()), len(words))
        name, limit = " ".join(words[:at]), " ".join(words[at:])
        found.append(Fabric(name, values.number(limit, unit) if limit else None, unit))
    return found


def _degrees(told: str, unit: str) -> float:
    degrees = values.number(told, unit)
    low, high = (units.convert(limit, "°C", unit) for limit in (_COLDEST, _HOTTEST))
    if not low <= degrees <= high:
        raise SessionError(f"{told!r}: a temperature from {low:g} to {high:g} {unit}")
    return degrees


def _range(told: str, unit: str, usual: float, limits: list[float | None]) -> tuple[float, float]:
    low, high = _two(told, unit)
    if not low <= usual <= high or low == high:
        raise SessionError(f"{usual:g} {unit} must lie between lowest and highest")
    lowest = min((limit for limit in limits if limit is not None), default=high)
    if low > lowest:
        raise SessionError(f"one of the fabrics takes {lowest:g} {unit} at most: begin below that")
    return low, high


def _spots(told: str, unit: str) -> tuple[float, float] | None:
    if not told:
        return None
    low, high = _two(told, unit)
    return low, high


def _two(told: str, unit: str) -> tuple[float, float]:
    parts = told.replace("–", " ").replace(" to ", " ").replace("-", " ").split()
    if len(parts) != 2:
        raise SessionError(f"{told!r}: write two numbers, the lower and the higher")
    low, high = (values.number(part, unit) for part in parts)
    if low > high:
        raise SessionError(f"{told!r}: write the lower number first")
    return low, high


def _seconds(told: str) -> float:
    time = values.number(told, "s")
    if not 2 <= time <= 3600:
        raise SessionError(f"{told!r}: a time from 2 to 3600 s")
    return _on(time, 5.0 if time >= 30 else 1.0)


def _number_of(told: str) -> int:
    number = values.number(told)
    if number != int(number) or not 1 <= number <= 100:
        raise SessionError(f"{told!r}: a whole number from 1 to 100")
    return int(number)


def _one_of(told: str, words: tuple[str, ...]) -> str:
    word = told.casefold()
    if word not in words:
        raise SessionError(f"{told!r}: one of {', '.join(words)}")
    return word


def _tidy(value: float) -> float:
    """To the nearest 5: dials are set so."""
    return 5.0 * round(value / 5.0)


def _on(value: float, step: float) -> float:
    return max(step, step * round(value / step))
