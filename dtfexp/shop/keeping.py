"""The cells of the keeping notebook: confirm, watch, find causes, dial in again.

Nothing is booked by running a cell: the forms book by a tap.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench.changes import last_bench_change
from dtfexp.book.logbook import Logbook
from dtfexp.book.status import still_wait
from dtfexp.describe.errors import DtfexpError, ResultsError
from dtfexp.describe.fields import count_phrase
from dtfexp.shop.first_day.reading import whole
from dtfexp.shop.steps import graded_book, invented
from dtfexp.show.forms.entries import Part, changed, checks, counts, entry_form
from dtfexp.show.forms.sheet_form import field
from dtfexp.show.notebook.panel import (
    diagnosis_panel,
    panel,
    terms_panel,
    verdict_panel,
    watch_lines,
    watch_panel,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dtfexp.dialin.confirm.terms import Terms
    from dtfexp.dialin.confirm.verdict import Verdict
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.monitor.watch import Watch
    from dtfexp.dialin.window.window import Window
    from dtfexp.show.forms.sheet_form import SheetForm
    from dtfexp.show.style.template import Shown


def book_to_keep(name: str) -> Logbook:
    """Return the logbook ``name`` once something is graded in it; else an invented example."""
    from dtfexp.shop.kept_example import EXAMPLE, kept_example

    book = graded_book(name)
    if book is not None:
        return book
    print(
        f"Until then this page shows an INVENTED example, {EXAMPLE}: no bench, fabric, grade or "
        "count in it is real."
    )
    return kept_example()


def chosen(book: Logbook, name: str) -> str:
    """Return the fabric to show.

    The one named, else the one with confirming presses, else the one with the most graded presses.
    """
    if name:
        return book.session.fabric(name).name
    results = book.results()
    if "confirms" in results and results["confirms"].notna().any():
        return str(results.loc[results["confirms"].notna(), "fabric"].iloc[-1])
    outcomes = [outcome.name for outcome in book.session.outcomes]
    graded = results.loc[results[outcomes].notna().any(axis=1), "fabric"]
    return str(graded.mode().iloc[0]) if len(graded) else book.session.fabrics[0].name


def confirm(
    book: Logbook, fitted: Fit, window: Window, terms: Terms, *, days: int, add: bool, seed: int
) -> Shown:
    """Return the verdict on the confirming presses, or what a confirmation takes.

    With ``add`` the presses are added to the book, once. Presses from before a noted change do not
    count.
    """
    from dtfexp.dialin.confirm.confirmation import confirmation_plan
    from dtfexp.dialin.confirm.verdict import verdict

    results = book.results()
    changed = last_bench_change(book.bench.changes())
    if changed is not None:
        results = results[results["press"] > changed[1]]
    try:
        found = verdict(
            book.session, results, window.fabric, pass_rate=terms.pass_rate,
            confidence=terms.confidence, failures=terms.failures, sequential=terms.sequential,
        )  # fmt: skip
    except ResultsError:
        if not add:
            return terms_panel(terms, window.fabric)
    else:
        return verdict_panel(found, _leave_out(book, found))
    if not window.target:
        return panel(f"{window.fabric}: do not press", [window.reason])
    made = confirmation_plan(
        fitted, window, pass_rate=terms.pass_rate, confidence=terms.confidence,
        failures=terms.failures, sequential=terms.sequential, days=days, seed=seed,
    )  # fmt: skip
    book.add(made)
    added = f"{len(made)} confirming presses were added to {book.path.name}: record them as usual."
    return panel(
        f"{window.fabric}: confirm",
        [made.reason, *made.notes, added],
        session=book.session,
        settings=True,
    )


def _leave_out(book: Logbook, found: Verdict) -> str:
    """Exclude presses not needed after a sequential decision, which would otherwise stay open."""
    if not found.terms.sequential or found.decision == "go on":
        return ""
    waiting = book.waiting()
    if "confirms" not in waiting:
        return ""
    mine = (waiting["fabric"] == found.fabric) & waiting["confirms"].notna()
    rest = waiting.loc[mine & ~waiting["pressed"].astype(bool), "press"]
    for press in rest:
        book.exclude(int(press), f"not needed: {found.decision} after {found.tried} presses")
    if not len(rest):
        return ""
    return f"No longer needed, left out: {count_phrase(len(rest), 'press', 'presses')}."


def watched(
    book: Logbook, fitted: Fit, window: Window, *, since: str, per_day: int
) -> Watch | None:
    """Return the watch on the window's fabric at its target; None without counts.

    ``since``: the first day that counts (default: that of the last change noted).
    """
    from dtfexp.dialin.monitor.watch import usual_failing_share, watch

    changed = last_bench_change(book.bench.changes())
    if not since and changed is not None:
        since = str(changed[0])
    counts = book.bench.counts()
    if not window.target or not (counts["fabric"] == window.fabric).any():
        return None
    usual = usual_failing_share(fitted, window.target, window.fabric)
    return watch(counts, window.fabric, usual=usual, per_day=per_day, since=since)


def show_watch(found: Watch | None, fabric: str) -> Shown:
    """Return the watch as a panel, or how to begin one."""
    return watch_panel(found, fabric)


def causes(book: Logbook, fitted: Fit, window: Window, seen: str, on: Watch | None) -> Shown:
    """Return probable causes of what is ``seen``, else of the symptoms of a standing alarm."""
    from dtfexp.book.diagnosing import diagnose

    signs: Any = seen
    if not seen and on is not None and on.alarm is not None:
        signs = dict(on.alarm.symptoms)
    if not signs:
        return panel(
            "What is wrong?",
            ["There is no alarm, and seen is empty: nothing to look for."],
        )
    if not window.target:
        return panel(f"{window.fabric}: do not press", [window.reason])
    found = diagnose(signs, window.target, window.fabric, book, fit=fitted)
    return diagnosis_panel(found, book.session)


def again(
    book: Logbook, window: Window, presses: int, seed: int, *, papers: str = "report"
) -> Shown:
    """Return the state after a change, and up to ``presses`` new presses.

    What is carried over, and the window now. Once presses since the change are graded, report and
    card of today's window are written beside the folder ``papers``: the earlier ones no longer
    apply.
    """
    from dtfexp.show.report.report import write_papers_of_book

    changes = book.bench.changes()
    if not len(changes):
        return panel(
            "Dial in again?",
            ["No change is noted. New powder, film or ink, a repair, another season, a drift that "
             "the watch found: note it in the form.", *_newer_lots(book)],
        )  # fmt: skip
    last = changes.iloc[-1]
    known = book.bench.carried(window.fabric)
    if known is None:
        return panel(
            "Dial in again?",
            [f"{str(last['what']).capitalize()} changed on {last['day']}: nothing to carry over "
             f"for {window.fabric}. No press was graded before, or it is not the new fabric."],
        )  # fmt: skip
    lines = [
        f"{str(last['what']).capitalize()} changed on {last['day']}. Presses up to "
        f"{last['after_press']} were made before.",
        known.sentence,
    ]
    if len(known.now):
        now = known.window(pass_rate=window.required, confidence=window.required_confidence)
        lines.append(now.reason)
        if now.found:
            lines.append("Target now: " + _settings(book, now.target) + ".")
            lines.append("No confirmation made before the change holds for it: confirm it now.")
        if known.graded:
            folder = f"{papers} after the change ({last['what']}, {last['day']})"
            write_papers_of_book(book, known.fit, Path(folder), fabrics=[window.fabric])
            lines.append(f"Report and card of today are in the folder {folder}: take the old card "
                         "off the wall.")  # fmt: skip
    else:
        lines.append("The card on the wall is from before the change: do not rely on it.")
    waiting = book.waiting()
    open_ones = int((~waiting["pressed"].astype(bool)).sum())
    if presses and open_ones:
        planned = count_phrase(open_ones, "press", "presses")
        lines.append(f"{planned} planned and not made: make those "
                     "first.")  # fmt: skip
    elif presses and known.session.nothing_left(window.fabric):
        lines.append(known.session.nothing_left(window.fabric))
    elif presses:
        made = known.next_presses(presses, seed=seed)
        lines.append(made.reason)
        if len(made):
            book.add(made)
            lines.append(
                f"{count_phrase(len(made), 'press', 'presses')} added to {book.path.name}: "
                "press and "
                "grade them in 2_record.ipynb, then run this page again."
            )
    return panel("Dial in again", lines, session=book.session, settings=True)


def _newer_lots(book: Logbook) -> list[str]:
    """Return lines on lots of powder, film and ink after the first of the book."""
    lots = book.bench.lots()
    out = []
    for what in ("powder", "film", "ink"):
        mine = lots[lots["what"] == what]
        if len(mine) > 1:
            name, since = mine["name"].iloc[-1], mine["since"].iloc[-1].date()
            out.append(
                f"{what.capitalize()} lot {name} is in use since {since}: if the window is older, "
                f"note a change of {what}."
            )
    return out


def confirm_form(
    book: Logbook, fitted: Fit, window: Window, terms: Terms, *, days: int, seed: int
) -> SheetForm:
    """Return the form that adds the confirming presses, once."""

    def off() -> str:
        results = book.results()
        mine = results["fabric"] == window.fabric
        if "confirms" in results and results.loc[mine, "confirms"].notna().any():
            return "The confirming presses are planned: record them in 2_record.ipynb."
        return invented(book) or ("" if window.target else window.reason)

    def keep(_values: Mapping[str, str], _id: str) -> str:
        before = len(book.runs())
        confirm(book, fitted, window, terms, days=days, add=True, seed=seed)
        return _added(book, before, "confirming press", "confirming presses")

    return entry_form(book, Part("Confirm", "Add the confirming presses", list, keep, off=off))


def watch_form(
    book: Logbook, fitted: Fit, window: Window, *, since: str, per_day: int
) -> SheetForm:
    """Return the forms of a day's counts and of a sheet of counts.

    With what the watch says, once that is other than what the page above them says.
    """
    above: list[str] = []

    def lines() -> list[str]:
        found = watched(book, fitted, window, since=since, per_day=per_day)
        now = list(watch_lines(found, window.fabric))
        if not above:
            # The form is drawn with the page, which says it above.
            above.extend(now)
        return [] if now == above else now

    def imported(values: Mapping[str, str], _id: str) -> str:
        return str(book.bench.import_counts(values["file"]))

    sheet = Part(
        "Counts from a sheet",
        "Import the sheet",
        lambda: [
            field("file", "Its file", hint="counts.xlsx",
                  help="Columns day, fabric, pressed, failed, symptoms. Known days are left.")
        ],
        imported,
    )  # fmt: skip
    return _forms(book, counts(book, window.fabric, lines), sheet)


def change_form(book: Logbook, window: Window, seed: int, *, papers: str = "report") -> SheetForm:
    """Return the forms of a change at the bench and of the presses after it."""

    def keep(values: Mapping[str, str], _id: str) -> str:
        before = len(book.runs())
        again(book, window, whole(values["presses"]), seed, papers=papers)
        return _added(book, before, "press", "presses")

    def off() -> str:
        return still_wait(book) if len(book.bench.changes()) else "No change is noted yet."

    after = Part(
        "Presses after the change",
        "Add these presses",
        lambda: [field("presses", "How many", "4", help="4 is a good batch.")],
        keep,
        off=off,
    )
    return _forms(book, changed(book), after)


def checks_form(book: Logbook) -> SheetForm:
    """Return the form of the opening checks."""
    return _forms(book, checks(book))


def _added(book: Logbook, before: int, one: str, many: str) -> str:
    added = len(book.runs()) - before
    if not added:
        raise DtfexpError("no press was added: Run, Run All Cells shows why")
    return f"{count_phrase(added, one, many)} added to {book.path.name}"


def _forms(book: Logbook, *parts: Part) -> SheetForm:
    why = invented(book)
    return entry_form(book, *(replace(one, off=lambda: why) if why else one for one in parts))


def _settings(book: Logbook, target: Any) -> str:
    return ", ".join(f"{f.name} {f.format(target[f.name])}" for f in book.session.factors)
