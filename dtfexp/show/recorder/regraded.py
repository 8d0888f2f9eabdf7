"""A coupon brought back to be judged again, without its earlier grade."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.book.coupons import regrading
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.logbook import Logbook


def due(book: Logbook, history: pd.DataFrame, results: pd.DataFrame) -> dict[str, Any] | None:
    """Return ``press`` and ``outcome`` of the coupon to judge again; None while none is due."""
    found = regrading.due(book, history, results)
    return None if found is None else {"press": found.press, "outcome": found.outcome}


def judge(book: Logbook, message: Mapping[str, Any], by: str) -> str:
    """Keep a second judgement; returns what is known of the eye now.

    ``message`` has ``press``, ``outcome``, ``grade`` and an ``id``.
    """
    outcome = book.session.outcome(str(message.get("outcome")))
    press: Any = message.get("press")
    regrading.judge_again(
        book, press, outcome.name, message.get("grade"), by=by, id=message.get("id")
    )
    found = {
        label(outcome.name).capitalize(): regrading.eye_against_itself(book, outcome),
        "Eye against picture": regrading.eye_against_picture(book, outcome),
    }
    told = "".join(f" {who}: {one.sentence}" for who, one in found.items() if one is not None)
    return f"press {press}: judged again; its grade stays.{told}"
