"""Slips of the pen: what a number may have been before a digit or the decimal mark went astray."""

from __future__ import annotations

from collections.abc import Iterator

_MOST_PLACES = 3


def slipped(number: float) -> Iterator[list[float]]:
    """Yield what may have been meant by ``number``, the most probable kind of slip first.

    The kinds: the decimal mark astray by up to three places (16.05 or 1605 for 160.5); two
    neighbouring digits swapped (106.5); a digit typed twice (1660); the first digit missing (60.5).
    """
    written = f"{abs(number):.12g}"
    sign = -1.0 if number < 0 else 1.0
    if "e" in written or not number:
        return
    places = (k for k in range(-_MOST_PLACES, _MOST_PLACES + 1) if k)
    # Divided where it gets smaller: 1605 / 10 is 160.5, and 1605 * 0.1 is not.
    yield [number * 10**k if k > 0 else number / 10**-k for k in places]
    digits = written.replace(".", "")
    point = written.index(".") if "." in written else len(digits)
    swapped = [
        digits[:k] + digits[k + 1] + digits[k] + digits[k + 2 :]
        for k in range(len(digits) - 1)
        if digits[k] != digits[k + 1]
    ]
    yield [sign * float(f"{text[:point]}.{text[point:]}") for text in swapped]
    yield [
        sign * float(written[:k] + written[k + 1 :])
        for k in range(len(written) - 1)
        if written[k] == written[k + 1]
    ]
    yield [sign * float(f"{first}{written}") for first in range(1, 10)]
