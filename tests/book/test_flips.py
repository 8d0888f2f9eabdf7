"""One flipped bit of the file is told or harmless, never silent and never raw.

``tests.bench.proof_store flips`` flips every bit of a small book.
"""

from __future__ import annotations

import random
from pathlib import Path

from tests.book.flipping import flip_bits, small_book


def test_a_flipped_bit_is_told_or_harmless(new_book, tmp_path: Path) -> None:
    with new_book() as book:
        for press in range(1, 7):
            book.record(press, {"peel": 1 + press % 5}, note=f"note {press}")
        book.keep("room", {"humidity": 50})
    content = small_book(book.path, 512)
    rng = random.Random(20260607)
    # Anywhere, and in the grades: a bit that turns a 1 into a 5 is what nobody would notice.
    bits = rng.sample(range(8 * len(content)), 150)
    at = content.index(b'"grade/peel":1.0') + len(b'"grade/peel":')
    seen = flip_bits(content, [*bits, *range(8 * at, 8 * at + 8)], tmp_path / "f.dtfbook", 20)
    assert seen["told"] + seen["harmless"] == len(bits) + 8
    assert seen["told"] > 40
    assert seen["harmless"] > 40
    assert seen["salvage: everything"] > 1
