"""A session as hand-writable TOML: keys of the same names, [[factors]], [[outcomes]], [[fabrics]].

No other file is read or written below the logbook floor.
"""

from __future__ import annotations

import os
import re
import tempfile
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import fields as fields_of
from os import PathLike
from pathlib import Path
from typing import Any

from dtfexp.describe import fields
from dtfexp.describe.errors import SessionError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.forbidden import Forbidden
from dtfexp.describe.outcome import Outcome
from dtfexp.describe.signs.guide import default_guide
from dtfexp.describe.summary import Described

_FACTOR_KEYS = (
    "name", "low", "high", "unit", "step", "stage", "hard_to_change", "spread", "usual", "levels",
    "ordered", "spots", "readings",
)  # fmt: skip
_OUTCOME_KEYS = (
    "name", "worst", "best", "accept", "step", "kind", "unit", "guide", "washes",
    "series",
)  # fmt: skip
_FABRIC_KEYS = ("name", "heat_limit", "unit", "notes", "usual", "ranges")
_BENCH_KEYS = (
    "coupons_per_load", "presses_per_round", "warm_up_minutes", "change_over_minutes",
    "temperature_unit", "notes", "film", "film_peel", "oven", "press",
)  # fmt: skip
#: Left out of the text when equal to the default.
_UNSAID = {"notes": "", "film": "", "film_peel": "", "oven": "oven", "press": "press"}
_LISTS = ("factors", "outcomes", "fabrics")
_TABLES = ("pace", "supplies")
_SESSION_KEYS = ("name", "experience", *_BENCH_KEYS, *_LISTS, "forbidden", *_TABLES)
_BELOW = ("guide", "usual", "ranges")
"""Tables of one factor, outcome or fabric, written under a heading of their own."""
_LARGEST_FILE = 2_000_000
_MOST_PARTS = 40
_TEXT_OR_COMMENT = re.compile(
    r'"""(?:\\.|[^\\])*?"""|' + r"'''.*?'''" + r'|"(?:\\.|[^"\\\n])*"' + r"|'[^'\n]*'|#[^\n]*",
    re.DOTALL,
)
_LONG_KEY = re.compile(rf"(?<![\w'-])(?:[\w'-]+[ \t]*\.[ \t]*){{{_MOST_PARTS}}}")


def read_file(
    path: str | PathLike[str],
    what: str = "a session",
    language: str = "TOML",
    largest: int = _LARGEST_FILE,
) -> str:
    """Return the text of a UTF-8 file; ``SessionError`` names the file and the fault."""
    place = fields.quoted(path) if not isinstance(path, str | PathLike) else str(path)
    try:
        # ``open`` would take a number for a file handle.
        with open(os.fspath(path), "rb") as file:
            raw = file.read(largest + 1)
    except FileNotFoundError:
        raise SessionError(f"{place}: there is no such file") from None
    except IsADirectoryError:
        raise SessionError(f"{place}: this is a folder; give the file of {what}") from None
    except (OSError, ValueError, TypeError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise SessionError(f"{place}: cannot be read ({why})") from None
    if len(raw) > largest:
        raise SessionError(f"{place}: too large for {what}; expected a small {language} text file")
    if b"\x00" in raw or raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise SessionError(
            f"{place}: not a plain text file; {what} is {language} text, saved with encoding UTF-8"
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise SessionError(
            f"{place}: line {line} is not UTF-8 text; save the file again with encoding UTF-8"
        ) from None


def read(text: str, path: str | PathLike[str] = "") -> dict[str, Any]:
    """Return the arguments of a ``Session`` from TOML text, with its parts built.

    ``path``: of the file, from whose folder an experience is looked for.
    """
    if not isinstance(text, str):
        raise SessionError(f"session: got {fields.quoted(text)}; expected TOML text")
    if len(text) > _LARGEST_FILE:
        raise SessionError("too large for a session; expected a small TOML text")
    # The parser's work grows with the square of a key's parts: 40 kB of dots took 13 s.
    if _LONG_KEY.search(_TEXT_OR_COMMENT.sub("''", text)):
        raise SessionError(
            f"not a session: a key has {_MOST_PARTS} parts or more with dots between them"
        )
    try:
        table = tomllib.loads(text.removeprefix("\ufeff").replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        last = text.rstrip().count("\n") + 1
        why = " ".join(str(error).split()).replace("at end of document", f"at line {last}, the end")
        raise SessionError(f"not valid TOML: {why}") from None
    except RecursionError:
        raise SessionError("not valid TOML: nested too deeply") from None
    except ValueError as error:  # a whole number with thousands of digits
        raise SessionError(f"not valid TOML: {str(error).partition(';')[0]}") from None
    _check_keys(table, _SESSION_KEYS, "session", required=("name", *_LISTS))
    fabrics = table["fabrics"]
    if isinstance(fabrics, list) and any(isinstance(entry, str) for entry in fabrics):
        fabrics = [{"name": entry} if isinstance(entry, str) else entry for entry in fabrics]
    experience = table.get("experience")
    if path and isinstance(experience, str) and not experience.lstrip().startswith("{"):
        table["experience"] = str(Path(path).parent / experience)
    return table | {
        "factors": _each(table["factors"], "factors", Factor, _FACTOR_KEYS),
        "outcomes": _each(table["outcomes"], "outcomes", Outcome, _OUTCOME_KEYS),
        "fabrics": _each(fabrics, "fabrics", Fabric, _FABRIC_KEYS),
    }


def write(session: Described, path: str | PathLike[str] = "") -> str:
    """Return the session as TOML text, without defaults.

    ``path``: of the file it is for, beside which an experience's own file is named; without one
    the text holds the experience.
    """
    import tomli_w

    top: dict[str, Any] = {"name": session.name}
    learnt = session.experience
    if learnt is not None and path and learnt.path:
        top["experience"] = os.path.relpath(learnt.path, Path(path).parent)
    elif learnt is not None:
        top["experience"] = learnt.to_text()
    for key in _BENCH_KEYS:
        value = getattr(session, key)
        if value != _UNSAID.get(key):
            top[key] = _tidy(value)
    parts = [tomli_w.dumps(top)]
    for heading in _TABLES:
        value = getattr(session, heading)
        own = {
            field.name: _tidy(getattr(value, field.name))
            for field in fields_of(value)
            if getattr(value, field.name) != field.default
        }
        if own:
            parts.append(tomli_w.dumps({heading: own}))
    for heading, tables in (
        ("fabrics", [_fabric_table(fabric) for fabric in session.fabrics]),
        ("factors", [_factor_table(factor) for factor in session.factors]),
        ("outcomes", [_outcome_table(outcome) for outcome in session.outcomes]),
        ("forbidden", [_forbidden_table(corner) for corner in session.forbidden]),
    ):
        for table in tables:
            below = {key: table.pop(key) for key in _BELOW if isinstance(table.get(key), dict)}
            points = table.pop("above", None) if heading == "forbidden" else None
            parts.append(f"[[{heading}]]\n{tomli_w.dumps(table)}")
            if points:
                parts[-1] += f"above = [{', '.join(map(_inline, points))}]\n"
            parts += [f"[{heading}.{key}]\n{tomli_w.dumps(own)}" for key, own in below.items()]
    return "\n".join(parts)


def write_file(
    content: str | bytes,
    path: str | PathLike[str],
    error: type[Exception] = SessionError,
    hint: str = "",
) -> None:
    """Write ``content`` to ``path``, replacing an older file only once all is written.

    Raises ``error`` in one line, with ``hint`` on what to do, when that fails.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    target = Path(path)
    scratch: str | None = None
    try:
        handle, scratch = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            os.chmod(scratch, target.stat().st_mode & 0o777)
        else:
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(scratch, 0o666 & ~mask)
        os.replace(scratch, target)
        scratch = None
    except OSError as trouble:
        reason = trouble.strerror or trouble
        raise error(f"{path}: cannot be written ({reason}){hint}") from None
    finally:
        if scratch is not None:
            Path(scratch).unlink(missing_ok=True)


def _check_keys(
    table: dict[str, Any], known: tuple[str, ...], place: str, required: tuple[str, ...]
) -> None:
    fields.check_keys(table, known, place)
    for key in required:
        if key not in table:
            raise SessionError(f"{place}: {key!r} is missing; add it to the description")


def _each(
    tables: object, heading: str, make: Callable[..., Any], known: tuple[str, ...]
) -> list[Any]:
    if not isinstance(tables, list):
        raise SessionError(
            f"session: {heading} is {fields.quoted(tables)}; write each one under its own "
            f"[[{heading}]] heading"
        )
    made = []
    for position, table in enumerate(tables, start=1):
        place = f"[[{heading}]] number {position}"
        if not isinstance(table, dict):
            raise SessionError(f"{place}: got {fields.quoted(table)}; expected a table of keys")
        _check_keys(table, known, place, required=("name",))
        with fields.at(place, SessionError):
            made.append(make(**table))
    return made


def _tidy(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _tidy(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_tidy(part) for part in value]
    return fields.int_if_whole(value) if isinstance(value, float) else value


def _table(item: object, keys: str) -> dict[str, Any]:
    """Return the attributes named in ``keys``; one marked "?" only where it says something."""
    table = {}
    for key in keys.split():
        value = _tidy(getattr(item, key.rstrip("?")))
        if not key.endswith("?") or not (value is None or value is False or value in ("", [], {})):
            table[key.rstrip("?")] = value
    return table


def _fabric_table(fabric: Fabric) -> dict[str, Any]:
    return _table(fabric, "name heat_limit? unit notes? usual? ranges?")


def _factor_table(factor: Factor) -> dict[str, Any]:
    own = "low high unit? step?" if factor.is_numeric else "levels ordered"
    spread = "spread" if factor.spread else ""
    return _table(factor, f"name {own} stage hard_to_change? {spread} spots? readings? usual")


def _outcome_table(outcome: Outcome) -> dict[str, Any]:
    step = "step" if outcome.kind == "graded" else ""
    table = _table(outcome, f"name worst best accept {step} kind unit? washes? series?")
    if outcome.guide != default_guide(outcome.name, outcome.kind, outcome.worst, outcome.best):
        table["guide"] = {f"{grade:.12g}": text for grade, text in outcome.guide.items()}
    return table


def _forbidden_table(corner: Forbidden) -> dict[str, Any]:
    table: dict[str, Any] = {
        name: condition if isinstance(condition, str) else list(condition)
        for name, condition in corner.conditions
    }
    for key, text in (("fabric", corner.fabric), ("note", corner.note)):
        if text:
            table[key] = text
    if corner.above:
        table["above"] = [dict(point) for point in corner.above]
    return table


def _inline(table: dict[str, str]) -> str:
    """Return a table on one line, which the TOML writer does not guarantee."""
    import tomli_w

    return "{ " + ", ".join(tomli_w.dumps({k: v}).strip() for k, v in table.items()) + " }"
