"""The text inside a coupon's code: which session, which press, which half, and a check character.

Ten characters of the capital letters and digits: session (5), half (1), press in base 36 (3), check
(1). Ten are what a QR code of version 1 holds at its strongest error correction, level H (ISO/IEC
18004), so that the modules stay as large as they can.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Literal

from dtfexp.describe import fields
from dtfexp.describe.errors import CouponError

CHARACTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_BASE = len(CHARACTERS)
_SESSION, _PRESS = 5, 3
LENGTH = _SESSION + 1 + _PRESS + 1
MOST_PRESSES = _BASE**_PRESS - 1

Half = Literal["one", "wash", "keep"]
#: What a coupon is: a whole one, or one of two halves.
HALVES: dict[Half, str] = {"one": "1", "wash": "W", "keep": "K"}


@dataclass(frozen=True)
class Label:
    """What a coupon says of itself: session (five characters), press and half."""

    session: str
    press: int
    half: Half = "one"

    def __post_init__(self) -> None:
        if len(self.session) != _SESSION or set(self.session) - set(CHARACTERS):
            accepted = f"{_SESSION} capital letters and digits"
            raise fields.refusal("session code", self.session, accepted, CouponError)
        whole = isinstance(self.press, int) and not isinstance(self.press, bool)
        if not whole or not 1 <= self.press <= MOST_PRESSES:
            accepted = f"a whole number from 1 to {MOST_PRESSES}"
            raise fields.refusal("press", self.press, accepted, CouponError)
        if self.half not in HALVES:
            raise fields.refusal("half", self.half, f"one of {', '.join(HALVES)}", CouponError)

    @property
    def text(self) -> str:
        """The ten characters of the code."""
        said = self.session + HALVES[self.half] + _in_base(self.press, _PRESS)
        return said + check_character(said)

    @classmethod
    def of(cls, text: str) -> Label:
        """Return the label that a code's text says.

        Raises ``CouponError`` for a text that is no coupon's: length, characters, check character.
        """
        if len(text) != LENGTH or set(text) - set(CHARACTERS):
            raise CouponError(
                f"code: got {fields.quoted(text)}; a coupon's code has {LENGTH} capital letters "
                "and digits"
            )
        said, check = text[:-1], text[-1]
        if check_character(said) != check:
            raise CouponError(f"code: got {fields.quoted(text)}; its check character is wrong")
        halves = {letter: half for half, letter in HALVES.items()}
        half = halves.get(said[_SESSION])
        if half is None:
            raise CouponError(f"code: got {fields.quoted(text)}; it names no half of a coupon")
        return cls(said[:_SESSION], int(said[_SESSION + 1 :], _BASE), half)


def session_code(book: str) -> str:
    """Return the five characters that stand for the logbook of this id.

    36^5 = 60 million codes: two books of one shop share one with a chance of 1 in 60 million.
    """
    digest = hashlib.sha256(book.encode("utf-8", "surrogatepass")).digest()
    return _in_base(int.from_bytes(digest[:8], "big") % _BASE**_SESSION, _SESSION)


def check_character(said: str) -> str:
    """Return the check character of ISO/IEC 7064, MOD 37,36 (from memory).

    It finds every single wrong character, and every swap of two neighbours but that of 0 and Z.
    """
    product = _BASE
    for character in said:
        total = (product + CHARACTERS.index(character)) % _BASE
        product = 2 * (total or _BASE) % (_BASE + 1)
    return CHARACTERS[(1 - product) % _BASE]


def _in_base(number: int, length: int) -> str:
    characters = ""
    for _ in range(length):
        number, digit = divmod(number, _BASE)
        characters = CHARACTERS[digit] + characters
    return characters
