"""The draft of the answers, kept beside the session file until that is written."""

from __future__ import annotations

import tomllib
from pathlib import Path

from dtfexp.describe import tomltext
from dtfexp.describe.errors import SessionError


def place(path: Path) -> Path:
    """Return the path of a session file's draft."""
    return path.with_name(f"{path.name}.draft")


def save(path: Path, said: dict[str, str]) -> None:
    """Save the answers, key and text, atomically."""
    import tomli_w

    tomltext.write_file(tomli_w.dumps({"answers": said}), place(path))


def load(path: Path) -> dict[str, str] | None:
    """Return the answers of a draft; None without one, ``SessionError`` for a damaged one."""
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
    """Move a draft out of the way, over no other file; return its new path."""
    old = place(path)
    n = 1
    while (aside := old.with_name(f"{old.name}.{n}")).exists():
        n += 1
    old.rename(aside)
    return aside


def remove(path: Path) -> None:
    """Remove the draft after the session file is written."""
    place(path).unlink(missing_ok=True)
