"""A notebook panel: a head, some sentences, pictures, a table.

Panels for confirmation, watch and symptoms.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dtfexp.show.figures.watch_figures import alarm_sum, failing_days, operating_curve
from dtfexp.show.style import palette
from dtfexp.show.style.svg import inline_svg
from dtfexp.show.style.template import Shown
from dtfexp.show.text.cautions import SHORT_CAUTIONS
from dtfexp.show.text.number_format import label, per_cent
from dtfexp.show.text.tables import FREE, LINE, Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.session import Session
    from dtfexp.dialin.confirm.terms import Terms
    from dtfexp.dialin.confirm.verdict import Verdict
    from dtfexp.dialin.monitor.diagnosis import Diagnosis
    from dtfexp.dialin.monitor.watch import Watch


def panel(
    head: str,
    lines: Sequence[str],
    figures: Sequence[tuple[str, Axes]] = (),
    rows: Table | None = None,
    *,
    session: Session | None = None,
    settings: bool = False,
) -> Shown:
    """Return a panel.

    ``figures``: (title, Axes); ``session``: its settings are named for display; ``settings``: True
    when it proposes settings, so that the cautions follow.
    """
    from markupsafe import Markup

    from dtfexp.show.style.template import environment

    lines = [_plain(line, session) for line in lines]
    if rows is not None:
        cells = [[_plain(cell, session) for cell in row] for row in rows.rows]
        rows = Table(rows.heads, rows.kinds, cells)

    drawn = [
        Markup(inline_svg(_figure(ax), f"dtfexp-{_id(head)}-{k}", title, ""))
        for k, (title, ax) in enumerate(figures, start=1)
    ]
    cautions = SHORT_CAUTIONS if settings else ()
    html = (
        environment()
        .get_template("panel.html.j2")
        .render(
            variables=palette.variables(dark=False), head=head, lines=lines, figures=drawn,
            rows=rows,
            cautions=cautions,
        )
    )  # fmt: skip
    told = [" | ".join(row) for row in rows.rows] if rows is not None else []
    return Shown(html, "\n".join([head, *lines, *told, *cautions]))


def terms_panel(terms: Terms, fabric: str) -> Shown:
    """Return the requirements of a confirmation, and its operating characteristic."""
    told = f"How this confirmation judges benches, {fabric}"
    return panel(
        f"{fabric}: not confirmed yet",
        [terms.sentence(), "The curve shows how often a bench of each true pass rate would be "
         "confirmed: good benches often, benches below the required rate seldom."],
        [(told, operating_curve(terms))],
    )  # fmt: skip


def verdict_panel(verdict: Verdict, more: str = "") -> Shown:
    """Return the verdict on the confirming presses with both intervals.

    ``more``: a further sentence.
    """
    sure = per_cent(verdict.terms.confidence)
    bounds = (
        f"Both ends together, with {sure} confidence: between {per_cent(verdict.low)} and "
        f"{per_cent(verdict.high)} (exact), or {per_cent(verdict.bayes_low)} and "
        f"{per_cent(verdict.bayes_high)} (Bayes, no prior knowledge)."
    )
    return panel(
        f"{verdict.fabric}: {verdict.decision}",
        [verdict.reason, bounds, *verdict.notes, *([more] if more else [])],
    )


def watch_lines(watch: Watch | None, fabric: str) -> tuple[str, str]:
    """Return the head of the watch and its first line; None: nothing is counted."""
    if watch is None:
        return (
            f"{fabric}: nothing is counted yet",
            "One line a day, in the form: garments pressed, and how many of them failed.",
        )
    return f"{watch.fabric}: " + ("ALARM" if watch.alarm else "no alarm"), watch.sentence


def watch_panel(watch: Watch | None, fabric: str) -> Shown:
    """Return the watch on one fabric: its state, its settings, both pictures.

    Or, without one, how to begin it.
    """
    head, line = watch_lines(watch, fabric)
    if watch is None:
        return panel(head, [line])
    figures = [
        (f"Failing garments day by day, {watch.fabric}", failing_days(watch)),
        (f"The sum that raises the alarm, {watch.fabric}", alarm_sum(watch)),
    ]
    return panel(head, [line, watch.promise], figures if len(watch.days) else ())


def diagnosis_panel(found: Diagnosis, session: Session) -> Shown:
    """Return the most probable causes, what to check first, and the deciding press."""
    lines = repr(found).splitlines()
    if not found.seen:
        return panel("What is wrong?", lines)
    rows = [
        [f.cause, per_cent(f.share), f.check, f.change]
        for f in found.findings[:4]
        if f.share >= 0.03
    ]
    heads, kinds = ("likely cause", "share", "check first", "then"), (FREE, LINE, FREE, FREE)
    # The lines above tell all of the first cause: a single row would say it twice.
    table = Table(heads, kinds, rows) if len(rows) > 1 else None
    return panel("What is wrong?", lines, rows=table, session=session, settings=True)


def _plain(text: str, session: Session | None) -> str:
    for factor in session.factors if session is not None else ():
        text = text.replace(factor.name, label(factor.name))
    return text


def _figure(ax: Axes) -> Any:
    return ax.figure


def _id(head: str) -> str:
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in head.casefold())
    return "-".join(part for part in kept.split("-") if part)
