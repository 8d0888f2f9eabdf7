"""Rows of a benchmark kept as they come, so that a run cut short goes on where it stopped."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any


def asked_and_kept(benches: int, first: int) -> tuple[argparse.Namespace, list[dict[str, Any]]]:
    """Return what the command line asked, its defaults given, and the rows that --out holds."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--benches", type=int, default=benches)
    ask.add_argument("--first", type=int, default=first)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--report", action="store_true", help="only print what is kept")
    asked = ask.parse_args()
    asked.out.touch()
    return asked, read(asked.out)


def read(out: Path | None) -> list[dict[str, Any]]:
    """Return the rows of a file, none where there is no file."""
    if out is None or not out.exists():
        return []
    return [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]


def keep(out: Path, *rows: dict[str, Any]) -> None:
    """Append rows to the file."""
    with out.open("a", encoding="utf-8") as file:
        file.write("".join(json.dumps(row) + "\n" for row in rows))
