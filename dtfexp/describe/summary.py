"""A session as a short HTML page for a notebook cell; calculates nothing new."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.forbidden import Forbidden
from dtfexp.describe.html_text import escape
from dtfexp.describe.outcome import Outcome


class Taught(Protocol):
    """What a session's page or text reads of its experience."""

    @property
    def path(self) -> str: ...

    def to_text(self) -> str: ...


class Described(Protocol):
    """The attributes of a session that its page or text reads."""

    @property
    def name(self) -> str: ...

    @property
    def factors(self) -> tuple[Factor, ...]: ...

    @property
    def outcomes(self) -> tuple[Outcome, ...]: ...

    @property
    def fabrics(self) -> tuple[Fabric, ...]: ...

    @property
    def forbidden(self) -> tuple[Forbidden, ...]: ...

    @property
    def film(self) -> str: ...

    @property
    def film_peel(self) -> str: ...

    @property
    def oven(self) -> str: ...

    @property
    def press(self) -> str: ...

    @property
    def experience(self) -> Taught | None: ...


def session_html(session: Described) -> str:
    """Return three small tables: settings, outcomes, fabrics."""
    factors = [
        (factor.name, factor.stage, _range(factor), factor.format(factor.usual), _spread(factor))
        for factor in session.factors
    ]
    outcomes = [(o.name, _scale(o), _accept(o)) for o in session.outcomes]
    fabrics = [
        (
            fabric.name,
            "none given" if fabric.heat_limit is None else f"{fabric.heat_limit:g} {fabric.unit}",
            _own(session, fabric),
            fabric.notes,
        )
        for fabric in session.fabrics
    ]
    bench = [
        ("film", session.film),
        ("peeled, says its maker", session.film_peel),
        ("oven", session.oven if session.oven != "oven" else ""),
        ("press", session.press if session.press != "press" else ""),
        ("starts from", "" if session.experience is None else repr(session.experience)),
    ]
    lines = [row for row in bench if row[1]]
    forbidden = [(str(corner),) for corner in session.forbidden]
    return (
        f'<div class="dtfexp-session"><p><b>{escape(session.name)}</b></p>'
        + html_table(("setting", "stage", "range", "usual", "machine spread"), factors)
        + html_table(("outcome", "scale", "passes"), outcomes)
        + html_table(("fabric", "heat limit", "its own settings", "notes"), fabrics)
        + (html_table(("bench", "name"), lines) if lines else "")
        + (html_table(("never together",), forbidden) if forbidden else "")
        + "</div>"
    )


def _own(session: Described, fabric: Fabric) -> str:
    """Return the usual settings and ranges of one fabric alone."""
    parts = []
    for factor in session.factors:
        own = fabric.ranges.get(factor.name)
        said = []
        if factor.name in fabric.usual:
            said.append(f"usual {factor.format(fabric.usual[factor.name])}")
        if own is not None and factor.is_numeric:
            said.append(f"{factor.format(own[0])} to {factor.format(own[1])}")
        elif own is not None:
            said.append(" or ".join(own))
        if said:
            parts.append(f"{factor.name}: {', '.join(said)}")
    return "; ".join(parts)


def _range(factor: Factor) -> str:
    if not factor.is_numeric:
        return " / ".join(factor.levels)
    low, high = factor.bounds
    unit = f" {factor.unit}" if factor.unit else ""
    return f"{low:g} to {high:g}{unit}, in steps of {factor.grid_step:g}"


def _spread(factor: Factor) -> str:
    text = f"± {factor.spread:g} {factor.unit}".strip() if factor.spread or factor.spots else ""
    return f"{text}, {len(factor.spots)} spots measured" if factor.spots else text


def _scale(outcome: Outcome) -> str:
    unit = f" {outcome.unit}" if outcome.unit else ""
    text = f"{outcome.worst:g} worst to {outcome.best:g} best{unit}"
    if outcome.washes is None:
        return text
    return f"{text}, after {outcome.washes} wash{'' if outcome.washes == 1 else 'es'}"


def _accept(outcome: Outcome) -> str:
    if outcome.accept == outcome.best:
        return f"at {outcome.accept:g}"
    return f"at {outcome.accept:g} or {'more' if outcome.sign > 0 else 'less'}"


def html_table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """Return an HTML table of texts, all escaped."""
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
