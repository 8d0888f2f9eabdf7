"""The whole table of signs and causes, and how one of them is found."""

from __future__ import annotations

from types import MappingProxyType

from dtfexp.describe.signs import at_press, before_press, later
from dtfexp.describe.signs.causes import CAUSES
from dtfexp.describe.signs.sign import Cause, Sign

SIGNS: tuple[Sign, ...] = (*before_press.SIGNS, *at_press.SIGNS, *later.SIGNS)
_SIGNS = MappingProxyType({sign.key: sign for sign in SIGNS})
_CAUSES = MappingProxyType({cause.key: cause for cause in CAUSES})


def sign(key: str) -> Sign:
    """Return the sign of that key."""
    return _SIGNS[key]


def cause(key: str) -> Cause:
    """Return the cause of that key."""
    return _CAUSES[key]


def phrase(key: str) -> str:
    """Return what screens and paper print for a sign."""
    return _SIGNS[key].phrase


def chips(view: str) -> tuple[str, ...]:
    """Return the phrases to tap in one view of the recording form, "press" or "wash"."""
    return tuple(sign.phrase for sign in SIGNS if view in sign.chips)
