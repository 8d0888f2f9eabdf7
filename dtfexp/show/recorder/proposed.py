"""What pictures of coupons propose, as the form shows it, and the tap that accepts it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.book.coupons import readings as coupons
from dtfexp.describe.errors import LogbookError
from dtfexp.describe.fields import quoted
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.coupon.proposals import Proposal


def shown(book: Logbook) -> dict[int, dict[str, dict[str, Any]]]:
    """Return press -> outcome -> ``value``, ``says`` in words, of what pictures propose now."""
    found = coupons.proposed(coupons.readings(book))
    return {
        press: {outcome: {"value": one.value, "says": _says(one)} for outcome, one in own.items()}
        for press, own in found.items()
    }


def accept(book: Logbook, message: Mapping[str, Any], by: str) -> str:
    """Record what a picture proposes for one outcome, as it was shown; returns what was saved.

    ``message`` has ``press``, ``outcome``, the ``value`` on the screen and an ``id``. Raises
    ``LogbookError`` when a later picture proposes something else: nothing unseen is accepted.
    """
    press: Any = message.get("press")
    outcome, value = str(message.get("outcome")), message.get("value")
    book.history(press)  # raises for an unknown press
    now = coupons.proposed(coupons.readings(book, press)).get(press, {}).get(outcome)
    if now is None:
        raise LogbookError(f"press {press}: no picture proposes a grade of {quoted(outcome)}")
    if now.value != value:
        raise LogbookError(
            f"press {press}: the last picture proposes {now.value:g} for {label(outcome)}, not "
            f"{quoted(value)}; look again"
        )
    book.record(press, {outcome: now.value}, by=by, id=message.get("id"))
    return f"press {press}: {label(outcome)} {now.value:g}, as the picture proposes"


def _says(one: Proposal) -> str:
    range_ = "" if one.low == one.high else f" ({one.low:g} to {one.high:g})"
    return f"The picture proposes {one.value:g}{range_}: {one.why}."
