"""The edges of a window, and the allowance inside it, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from dtfexp.describe import heat
from dtfexp.dialin.window.edges import (
    FABRIC_RANGE,
    HEAT_LIMIT,
    KNOWN,
    NOT_KNOWN,
    OTHER_SETTINGS,
    PLAN_RANGE,
)  # fmt: skip
from dtfexp.show.text import trade_hints
from dtfexp.show.text.number_format import NumberFormat, label, per_cent

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window

LIMIT = "heat limit of the fabric"
RANGE = "end of the tested range"
OWN_RANGE = "end of this fabric's own range"
_ENDS = {HEAT_LIMIT: LIMIT, PLAN_RANGE: RANGE, FABRIC_RANGE: OWN_RANGE}
TOGETHER = "the settings together"
UNKNOWN = "nothing known beyond"


class EdgeText(NamedTuple):
    """One edge of a window in words: place, limiting cause, sign of failure, direction to move.

    ``certainty``: probability that the true pass rate falls short just beyond; None where the plan
    or the heat limit ends the window.
    """

    factor: Factor
    side: str
    where: str
    stopped: str
    sign: str
    advice_move: str
    certainty: float | None
    advice: str

    @property
    def known(self) -> bool:
        """True when presses very probably fall short beyond the edge."""
        return self.certainty is not None and self.certainty >= KNOWN


def person_text(text: str, session: Session, reading: NumberFormat) -> str:
    """Return a sentence of the fit for people: one temperature unit, no underscores."""
    for factor in session.factors:
        if "_" in factor.name:
            text = text.replace(factor.name, label(factor.name))
    return reading.sentence(text)


def reason(session: Session, window: Window, reading: NumberFormat) -> str:
    """Return why there is a window, or none, or why the fabric cannot be pressed at all."""
    if window.target:
        return person_text(window.reason, session, reading)
    # The sentence mixes temperatures and differences, so it is written anew, not converted.
    return f"{session.nothing_left(window.fabric, reading.temperature)}."


def edges(session: Session, window: Window, reading: NumberFormat) -> list[EdgeText]:
    """Return every edge of the window in the order of the session; none without a window."""
    found = []
    for row in window.edges.to_dict("records"):
        factor = session.factor(str(row["factor"]))
        side, stopper = str(row["side"]), str(row["stopped_by"])
        over = "below" if side == "low" else "above"
        ended = _ENDS.get(stopper)
        advice = person_text(str(row["advice"]), session, reading)
        unseen = {OTHER_SETTINGS: TOGETHER, NOT_KNOWN: UNKNOWN}.get(stopper)
        # A sign is told where it is seen, or asked about: beyond what the setting may do alone.
        together = ended or stopper == OTHER_SETTINGS or not factor.is_numeric
        place = row["value"] if together else row["alone"]
        where = reading.text(factor, place)
        if ended == LIMIT:
            # The last dial step of the plan may lie lower: one number for what may never be passed.
            fabric = session.fabric(window.fabric)
            where = heat.highest_dial(factor, fabric, reading.temperature)
            advice = session.limit_note(window.fabric, reading.temperature)
        found.append(
            EdgeText(
                factor=factor,
                side=side,
                where=f"{over} {where}",
                stopped=ended or unseen or label(stopper),
                sign=trade_hints.sign_beyond_edge(factor, str(row["looks"])),
                advice_move=trade_hints.move_advice(side, factor),
                certainty=None if ended is not None else float(row["certainty"]),
                advice=advice,
            )
        )
    return found


def edge_line(edge: EdgeText) -> str:
    """Return an edge as one short line for the card."""
    if edge.stopped == LIMIT:
        return f"{_capital(edge.where)}: NEVER. {edge.advice}"
    if edge.stopped == OWN_RANGE:
        return f"{_capital(edge.where)}: not on this fabric, its range ends here."
    if edge.stopped == RANGE:
        return f"{_capital(edge.where)}: not tried."
    if edge.stopped == TOGETHER:
        return f"{_capital(edge.where)}: holds by itself, not with the other settings off too."
    if edge.stopped == UNKNOWN:
        # An edge that nobody has seen fail says so, and still says what a failure would look like.
        return f"{_capital(edge.where)}: not known; if {edge.sign} \u2192 {edge.advice_move}."
    sure = "" if edge.certainty is None else f" ({per_cent(edge.certainty)} sure)"
    return f"{_capital(edge.where)}{sure}: {edge.sign} \u2192 {edge.advice_move}."


def window_span(window: Window, factor: Factor, reading: NumberFormat) -> str:
    """Return the window of one setting, all settings inside together: "120 to 135 °C"."""
    return _span(window.low, window.high, factor, reading, "not known")


def core_span(window: Window, factor: Factor, reading: NumberFormat) -> str:
    """Return the proven part of the window of one setting."""
    nothing = "nothing yet" if window.found else "–"
    return _span(window.core_low, window.core_high, factor, reading, nothing)


def alone_span(window: Window, factor: Factor, reading: NumberFormat) -> str:
    """Return how far one setting may be off by itself; a dash for words."""
    ends = window.alone.get(factor.name)
    if ends is None:
        return "–"
    return _span({factor.name: ends[0]}, {factor.name: ends[1]}, factor, reading, "–")


def _span(
    low: Mapping[str, Any] | None,
    high: Mapping[str, Any] | None,
    factor: Factor,
    reading: NumberFormat,
    nothing: str,
) -> str:
    if low is None or high is None:
        return nothing
    a, b = reading.number(factor, low[factor.name]), reading.text(factor, high[factor.name])
    return f"only {b}" if low[factor.name] == high[factor.name] else f"{a} to {b}"


def nearer_margin(window: Window, factor: Factor) -> float:
    """Return the smaller margin in multiples of the spread; infinite without a margin.

    The end of a range is no edge, for nothing is known to fail there, and a heat limit has its
    allowance already.
    """
    margin = window.margin.get(factor.name)
    if margin is None:
        return math.inf
    rows = window.edges[window.edges["factor"] == factor.name]
    ends = rows["stopped_by"].isin(list(_ENDS)).to_numpy()
    sides = [getattr(margin, str(side)) for side in rows["side"].to_numpy()[~ends]]
    return float(min(sides, default=math.inf))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
