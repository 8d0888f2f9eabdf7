"""Experience: what earlier logbooks taught, as a small readable file that a session can start from.

The file is JSON. It holds distributions over benches, never a setting or grade of a single press.
How it is learnt and used: ``dtfexp.dialin.experience``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from os import PathLike
from typing import Any, NoReturn

from dtfexp.describe import fields, units
from dtfexp.describe.errors import SessionError
from dtfexp.describe.tomltext import read_file, write_file

FORMAT, VERSION = "dtfexp experience", 1
_ACCEPTED = "a file written by 'dtfexp learn' or Experience.save"
_LARGEST_FILE = 20_000_000
_MOST_SETTINGS = 50
_NUMBER = (int, float)
#: Key -> type of what every experience holds; then of the tables in its lists.
_KEYS: dict[str, Any] = {
    "name": str, "made": str, "share": _NUMBER, "books": list, "settings": list, "scales": list,
    "common": list, "classes": dict, "joint": list, "new_class": dict, "between": list,
    "places": list, "moved": dict,
}  # fmt: skip
_TABLES: dict[str, dict[str, Any]] = {
    "books": {"name": str, "digest": str, "presses": int, "fabrics": list},
    "settings": {"key": str, "stage": str, "unit": str, "log": bool, "centre": _NUMBER,
                 "half": _NUMBER, "levels": list, "books": int},
    "scales": {"name": str, "centre": _NUMBER, "sd": _NUMBER, "is_share": bool, "general": str},
    "places": {"fabric": str, "film": str, "books": int, "settings": list},
}  # fmt: skip
#: The scales that a shop sees, in its words.
_LUCK = {"load luck": "Oven loads", "round luck": "Press rounds", "press noise": "Like presses"}
_PLACE: dict[str, Any] = {"key": str, "unit": str, "levels": list, "best": _NUMBER,
                          "low": _NUMBER, "high": _NUMBER}  # fmt: skip


@dataclass(frozen=True, repr=False)
class Experience:
    """What earlier sessions taught, as a prior for a new one: see :func:`dtfexp.learn`.

    ``content`` is what the file holds; ``path`` is where it was read from ("": nowhere).
    ``Session(..., experience=...)`` takes an Experience or its path.
    """

    content: Mapping[str, Any]
    path: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        _check(self.content)

    @property
    def name(self) -> str:
        """The name it was given."""
        return str(self.content["name"])

    @property
    def books(self) -> int:
        """The number of logbooks behind it."""
        return len(self.content["books"])

    @property
    def presses(self) -> int:
        """The number of graded presses behind it."""
        return sum(int(book["presses"]) for book in self.content["books"])

    def save(self, path: str | PathLike[str]) -> None:
        """Write the experience to ``path``; an older file is replaced once all is written."""
        write_file(json.dumps(self.content, indent=1, ensure_ascii=False) + "\n", path)

    @classmethod
    def load(cls, path: str | PathLike[str]) -> Experience:
        """Read it from ``path``; ``SessionError`` in one line if that fails."""
        text = read_file(path, "an experience", "JSON", _LARGEST_FILE)
        with fields.at(f"{path}", SessionError):
            return cls.from_text(text, str(path))

    @classmethod
    def from_text(cls, text: str, path: str = "") -> Experience:
        """Return it from JSON text; ``SessionError`` in one line for anything else."""
        try:
            content = json.loads(text, parse_constant=_not_finite)
        except (ValueError, RecursionError):
            raise SessionError(f"not an experience; give {_ACCEPTED}") from None
        return cls(content, path)

    def to_text(self) -> str:
        """Return it on one line, as a stored session keeps it."""
        return json.dumps(self.content, ensure_ascii=False, separators=(",", ":"))

    def describe(self) -> str:
        """Return in plain words what was learnt, from which logbooks, and when."""
        told = self.content
        named = f" {self.name!r}" if self.name else ""
        lines = [
            f"Experience{named} of {fields.count_phrase(self.books, 'logbook')} "
            f"({self.presses} graded presses), learnt on {told['made']}.",
            f"A session starts with {told['share']:.0%} on it and the rest on the general prior; "
            "its own presses revise that.",
        ]
        for place in told["places"]:
            on = " on ".join(w for w in (place["film"], place["fabric"]) if w)
            count = fields.count_phrase(place["books"], "logbook")
            lines.append(f"Best place{f' for {on}' if on else ''} ({count}):")
            lines += [f"  {_place_line(own)}" for own in place["settings"]]
        lines.append("Heat limits come first: never above a care label or a maker's limit.")
        own = {scale["name"]: scale for scale in told["scales"]}
        for name, words in _LUCK.items():
            if name in own:
                low, middle, high = (_scale(own[name], u) for u in (-1.0, 0.0, 1.0))
                lines.append(
                    f"{words} differ by about {middle:.2f} grades ({low:.2f} to {high:.2f}; "
                    f"without experience {own[name]['general']})."
                )
        lines.append(
            "Also learnt: how steep the edges are, how settings act together, how outcomes go "
            "together, and how good the best prints are (numbers in the file)."
        )
        for what, own in told["moved"].items():
            count = fields.count_phrase(own["books"], "logbook")
            lines.append(f"A change of {what} {_change(own)} ({count}).")
        lines.append("Learnt from:")
        lines += [
            f"  {book['name']} ({book['digest'][:8]}): "
            f"{fields.count_phrase(book['presses'], 'press', 'presses')}, "
            f"{', '.join(map(str, book['fabrics']))}"
            for book in told["books"]
        ]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return f"Experience({self.name!r}, {fields.count_phrase(self.books, 'logbook')})"


def _place_line(own: Mapping[str, Any]) -> str:
    best, low, high = (_shown(own, own[key]) for key in ("best", "low", "high"))
    name = str(own["key"]).partition(" (")[0]
    most = f"; highest set-point allowed: {_shown(own, own['limit'])}" if "limit" in own else ""
    return f"{name}: {best}; by itself good from {low} to {high}{most}"


def _shown(own: Mapping[str, Any], value: float) -> str:
    """Return a value as a dial shows it, in the units of dials; a place of words as a word."""
    if own["levels"]:
        words = own["levels"]
        return str(words[min(max(round(value), 0), len(words) - 1)])
    if own["unit"] == "°C":
        return f"{value:.0f} °C ({units.convert(value, '°C', '°F'):.0f} °F)"
    if own["unit"] == "kPa":
        bar, psi = (units.convert(value, "kPa", to) for to in ("bar", "psi"))
        return f"{bar:.1f} bar ({psi:.0f} psi)"
    number = f"{value:.0f}" if abs(value) >= 10 else f"{value:.1f}"
    return f"{number} {own['unit']}".strip()


def _change(own: Mapping[str, Any]) -> str:
    moves = " and ".join(f"{stage} by {sd:.1f} °C" for stage, sd in own["sd"].items())
    told = [f"moves {moves}"] if moves else []
    if "kept" in own:
        told.append(f"keeps what held before with a correlation of {own['kept']:.2f}")
    return " and ".join(told)


def _scale(own: Mapping[str, Any], u: float) -> float:
    at = float(own["centre"]) + u * float(own["sd"])
    return 0.95 / (1.0 + math.exp(-at)) if own["is_share"] else math.exp(at)


def _not_finite(word: str) -> NoReturn:
    raise ValueError(word)


def _check(content: object) -> None:
    """Raise ``SessionError`` unless the content is a whole experience of this version."""
    if not isinstance(content, Mapping) or content.get("format") != FORMAT:
        raise SessionError(f"not an experience; give {_ACCEPTED}")
    if content.get("version") != VERSION:
        raise SessionError(
            f"an experience of version {fields.quoted(content.get('version'))}; this dtfexp reads "
            f"version {VERSION}: learn it again from the logbooks"
        )
    _check_table(content, _KEYS, "")
    for key, keys in _TABLES.items():
        for own in content[key]:
            _check_table(own, keys, key)
    for place in content["places"]:
        for own in place["settings"]:
            _check_table(own, _PLACE, "places")
            if not fields.is_number(own.get("limit", 0.0)):
                raise _damaged("places limit")
    d = len(content["settings"])
    positive = [own["half"] for own in content["settings"]] + [o["sd"] for o in content["scales"]]
    if not 1 <= d <= _MOST_SETTINGS or not all(size > 0.0 for size in positive):
        raise _damaged("settings or scales")
    if not 0.0 <= content["share"] < 1.0:
        raise _damaged("share")
    p = 1 + 2 * d + d * (d - 1) // 2
    for name, mean in {"common": content["common"], **content["classes"]}.items():
        _check_numbers(mean, p, name)
    q = p * (1 + len(content["classes"]))
    _check_numbers(content["joint"], q * (q + 1) // 2, "joint")
    for kind in ("outcome", "fabric", "film"):
        _check_triangle(content["new_class"].get(kind), p, f"new_class {kind}")
    _check_triangle(content["between"], p, "between")
    for what, own in content["moved"].items():
        _check_table(own, {"sd": dict, "books": int}, f"moved {what}")
        kept = own.get("kept", 1.0)
        if not fields.is_number(kept) or not 0.0 < float(kept) <= 1.0:
            raise _damaged(f"moved {what} kept")


def _check_table(table: object, keys: Mapping[str, Any], place: str) -> None:
    if not isinstance(table, Mapping):
        raise _damaged(place)
    for key, kind in keys.items():
        value = table.get(key)
        wrong = not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool)
        if wrong or (kind is _NUMBER and not fields.is_number(value)):
            raise _damaged(f"{place} {key}".strip())


def _check_numbers(values: object, count: int, place: str) -> None:
    fair = isinstance(values, list) and len(values) == count
    if not fair or not all(map(fields.is_number, values)):  # type: ignore[call-overload]
        raise _damaged(place)


def _check_triangle(values: Any, p: int, place: str) -> None:
    """Refuse what is not the lower triangle of a covariance (p, p), row by row."""
    _check_numbers(values, p * (p + 1) // 2, place)
    rows = [list(map(float, values[i * (i + 1) // 2 : (i + 1) * (i + 2) // 2])) for i in range(p)]
    # Cholesky in place; digits left out in the file may make a pivot a little negative.
    for i in range(p):
        size = rows[i][i]
        for j in range(i + 1):
            left = rows[i][j] - sum(rows[i][k] * rows[j][k] for k in range(j))
            if i != j:
                rows[i][j] = left / rows[j][j]
            elif left < -1e-3 * max(size, 1e-9):
                raise _damaged(place)
            else:
                rows[i][i] = math.sqrt(max(left, 1e-6 * max(size, 1e-9)))


def _damaged(place: str) -> SessionError:
    return SessionError(f"damaged: {place or 'content'} does not fit; give {_ACCEPTED}")


def as_experience(value: object) -> Experience | None:
    """Return the experience of a session: none, an Experience, its path, or its JSON text.

    Raises ``SessionError`` in one line.
    """
    if value is None or isinstance(value, Experience):
        return value
    if isinstance(value, str) and value.lstrip().startswith("{"):
        with fields.at("session: experience", SessionError):
            return Experience.from_text(value)
    if not isinstance(value, str | PathLike) or not str(value):
        raise fields.refusal("session: experience", value, "an Experience or the path of its file")
    return Experience.load(value)
