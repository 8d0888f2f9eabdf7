"""Counts and lists as a person writes them."""

from __future__ import annotations


def count_phrase(number: int, noun: str, plural: str | None = None) -> str:
    """ "1 press", "2 presses"."""
    if number == 1:
        return f"1 {noun}"
    return f"{number} {plural or noun + 's'}"


def and_list(items: list[str] | tuple[str, ...], most: int = 0, last: str = "and") -> str:
    """ "a, b and c"; with `most`, the rest is counted: "a, b and 4 more"; ``last``: "or"."""
    shown = list(items)
    if most and len(shown) > most:
        shown = [*shown[:most], f"{len(items) - most} more"]
    if len(shown) < 2:
        return "".join(shown)
    return ", ".join(shown[:-1]) + f" {last} " + shown[-1]
