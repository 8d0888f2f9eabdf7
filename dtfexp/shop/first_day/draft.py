"""What was answered so far, kept beside the session file until that is written."""

from __future__ import annotations

import tomllib
from pathlib import Path

from dtfexp.describe import tomltext
from dtfexp.describe.errors import SessionError


def place(path: Path) -> Path:
    """Where the draft of a session file lies."""
    return path.with_name(f"{path.name}.draft")


def save(path: Path, said: dict[str, str]) -> None:
    """Keep the answers, key and text, whole or not at all."""
    import tomli_w

    tomltext.write_file(tomli_w.dumps({"answers": said}), place(path))


def load(path: Path) -> dict[str, str] | None:
    """The answers of a draft; None where there is none, ``SessionError`` where it is damaged."""
    where = place(path)
    if not where.exists():
        return None
    try:
        found = tomllib.loads(tomltext.read_file(where)).get("answers")
    except tomllib.TOMLDecodeError:
        found = None
    if not isinstance(found, dict) or not all(isinstance(v, str) for v in found.values()):
        raise SessionError(f"{where} is damaged: not the answers of an earlier start")
    return {str(key): value for key, value in found.items()}


def put_aside(path: Path) -> Path:
    """Move a draft out of the way, over no other file; returns where it is now."""
    old = place(path)
    n = 1
    while (aside := old.with_name(f"{old.name}.{n}")).exists():
        n += 1
    old.rename(aside)
    return aside


def remove(path: Path) -> None:
    """The session file is written: its draft is not needed any more."""
    place(path).unlink(missing_ok=True)
