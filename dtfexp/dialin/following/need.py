"""Which fabric needs the presses of a batch most: what is shared out, and how it is told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from dtfexp.describe.fields import and_list

if TYPE_CHECKING:
    from dtfexp.dialin.following.likely_window import LikelyWindow

#: Need of a fabric whose likely window is known throughout, beside 1 of one with nothing.
LEAST_NEED = 0.1
#: On fewer graded presses of its own a fabric is promised no window.
FEWEST_PRESSES = 4


def need(likely: LikelyWindow, presses_used: int, pass_rate: float) -> float:
    """Return the unproven share of a fabric's likely window: 1 without presses, 0.1 at least.

    METHODS.md, section 9.
    """
    if presses_used < FEWEST_PRESSES:
        return 1.0
    return max(1.0 - likely.known_share(pass_rate), LEAST_NEED)


def shared_by_need(presses: int, needs: Mapping[str, float]) -> dict[str, int]:
    """Presses of each fabric in proportion to its need, the neediest first.

    Each next press goes where need ÷ (2 × presses given + 1) is largest, of equals to the fabric
    named first (Sainte-Laguë's divisors: Balinski & Young 1982, Fair Representation, ch. 4; from
    memory). METHODS.md, section 9.
    """
    given = dict.fromkeys(needs, 0)
    for _ in range(presses):
        name = max(needs, key=lambda n: needs[n] / (2 * given[n] + 1))
        given[name] += 1
    # Sorting is stable: of equal needs the fabric named first.
    return {name: given[name] for name in sorted(needs, key=lambda n: -needs[n])}


def shares_in_words(
    presses: Mapping[str, int], mapped: Mapping[str, LikelyWindow], pass_rate: float
) -> str:
    """Who gets how many presses, and why: a sentence for several fabrics."""
    told = []
    for name, count in presses.items():
        known = mapped[name].known_share(pass_rate)
        what = (
            f"{known:.0%} of its likely window is known"
            if mapped[name].has_good_place(pass_rate)
            else "its good place is not sure yet"
        )
        told.append(f"{name} gets {count} ({what})")
    return f"Shared by need: {and_list(told)}."
