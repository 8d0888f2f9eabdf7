"""The commands of the command line; ``cli`` reads their arguments."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import warnings
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.describe.fields import count_phrase, spelled
from dtfexp.shop.experienced import loaded_session, opened_book
from dtfexp.shop.printing import (
    print_paths,
    print_status,
    print_verdicts,
    print_window,
    print_wrapped,
)
from dtfexp.shop.progress import progress
from dtfexp.show.text.cautions import ONE_LINE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dtfexp.describe.session import Session
    from dtfexp.dialin.design.plan import Plan


def demo(args: Namespace) -> None:
    """Run the whole job on the invented bench."""
    from dtfexp.dialin.side_by_side import end_workers
    from dtfexp.shop.demo import run_demo

    out = Path(args.out)
    print(
        "Everything in this demo is invented: the shop, the bench, the fabrics, the grades, and "
        "the photo of coupons, which is drawn."
    )
    with progress("demo") as told:
        made = run_demo(out, told)
    end_workers()
    print(f"\n{made.presses} test presses planned, pressed (by a simulator), graded and fitted.\n")
    for fabric in made.fit.session.fabrics:
        print_window(made.fit, fabric.name)
    print(f"\n{ONE_LINE}")
    print(
        "\nA drawn photo of coupons, read as `dtfexp read` does; the proposed grades were accepted:"
    )
    for line in made.pictures:
        print_wrapped(line, hang=len(line) - len(line.lstrip()) + 2)
    print(f"\nLogbook: {made.book.resolve()}")
    for path in made.papers:
        if path.suffix in (".html", ".pdf"):
            print(f"{'Report' if path.suffix == '.html' else 'Card'}:    {path.resolve()}")
    print_wrapped(f"Next:    {made.next_step}", hang=9)


def new(args: Namespace) -> None:
    """Run the first day: checklist, questions, session file."""
    from dtfexp.shop.first_day import new_session

    path = Path(args.session)
    session = new_session(path, input, print)
    print(f"\n{path} was written: {len(session.factors)} settings, {len(session.fabrics)} fabrics.")
    print(f"Next: dtfexp plan {path} my.dtfbook --presses 14")


def rehearse(args: Namespace) -> None:
    """Play a session on simulated benches before the first press."""
    from dtfexp.dialin.rehearse.rehearsal import rehearse as play

    session = loaded_session(args)
    print(play(session, args.presses, rehearsals=args.rehearsals, fabrics=args.fabrics,
               jobs=args.jobs, seed=args.seed))  # fmt: skip


def plan(args: Namespace) -> None:
    """Start a logbook with a first plan."""
    from dtfexp.book.logbook import Logbook
    from dtfexp.dialin.design.plan import plan as make_plan

    session = loaded_session(args)
    if Path(args.logbook).exists():
        raise LogbookError(
            f"{args.logbook}: this file exists already and was not changed; use "
            f"'dtfexp next {args.logbook} --presses N' to continue, or choose another name"
        )
    made = make_plan(session, args.presses, fabrics=args.fabrics, design=args.design,
                     seed=args.seed, **dict(args.options))  # fmt: skip
    with Logbook.create(args.logbook, session) as book:
        try:
            book.add(made)
        except BaseException:
            # A logbook without presses would stand in the way of the next try.
            book.close()
            Path(args.logbook).unlink()
            raise
    _print_plan(made)
    print(f"\nLogbook: {Path(args.logbook).resolve()}")


def sheet(args: Namespace) -> None:
    """Write run sheet and coupon labels, and the sheets for an import."""
    from dtfexp.book.logbook import Logbook
    from dtfexp.shop.runsheet import refused_lines, write_sheets

    with Logbook.open(args.logbook) as book:
        paths = write_sheets(book, Path(args.out), args.paper)
        refused = refused_lines(book)
    print_paths(paths)
    for line in refused:
        print(line)


def next_(args: Namespace) -> None:
    """Add the most informative presses to a logbook, or say that no more are needed."""
    from dtfexp.book.status import still_wait

    with opened_book(args) as book:
        if (waits := still_wait(book)) and not args.anyway:
            undo = f", take the plan back ('dtfexp undo {args.logbook}')"
            back = undo if book.can_undo_plan() else ""
            raise LogbookError(f"{args.logbook}: {waits}{back}, or insist with --anyway")
        with progress("choosing the next presses"):
            made, carried_over = book.bench.next_presses(
                args.presses, fabrics=args.fabrics, seed=args.seed
            )
        if carried_over:
            print(carried_over)
        if len(made.runs):
            book.add(made)
            _print_plan(made)
        else:
            print(made.reason)
        print_verdicts(args.logbook, book, made.fit)


def status(args: Namespace) -> None:
    """Print where a logbook stands: its presses, each fabric's verdict, what is next."""
    from dtfexp.book.status import press_list, presses_of
    from dtfexp.book.status import status as status_of
    from dtfexp.book.steps_of_day import now as steps_now

    with opened_book(args) as book:
        now = presses_of(book)
        told = "" if now.last_entry is None else f", last entry {now.last_entry:%Y-%m-%d %H:%M}"
        print_wrapped(f"{now.session} ({args.logbook}{told})")
        print()
        for state, numbers in now.groups:
            print_wrapped(f"{len(numbers):4} {state}: {press_list(numbers)}", hang=5)
        if steps := steps_now(book):
            print("\nAt the bench now:")
            for step in steps:
                print_wrapped(f"   - {step}", hang=5)
        # The presses stand at once; the verdicts may take a fit of all grades.
        with progress("working out the verdicts"):
            standing = status_of(book)
    print_status(args.logbook, standing)


def undo(args: Namespace) -> None:
    """Take back the last plan, or the last entry of a press."""
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.status import named
    from dtfexp.shop import recorded

    with Logbook.open(args.logbook, by=args.by) as book:
        if args.press is not None:
            was = recorded.known(book.session, recorded.row_of(book, args.press))
            book.undo(args.press)
            now = recorded.known(book.session, recorded.row_of(book, args.press))
            print(recorded.taken_back_line(args.press, was, now))
            return
        numbers = book.undo_plan()
    print(f"The last plan, {named(numbers)}, is taken back. Its numbers are not used again.")


def record(args: Namespace) -> None:
    """Record grades and readings of one press."""
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.store.plausible import past_limits
    from dtfexp.shop import recorded
    from dtfexp.shop.runsheet import refused_lines

    press = args.press
    with Logbook.open(args.logbook, by=args.by) as book:
        session = book.session
        grades, actual = _grades_and_readings(session, args.said)
        # Only a reading can forbid what was allowed.
        refused = refused_lines(book) if actual else []
        was = recorded.known(session, recorded.row_of(book, press))
        book.record(press, grades, args.defects, actual, args.note, accept=args.accept)
        row, waiting = recorded.row_of(book, press), book.waiting()
        lacking = waiting.loc[waiting["press"] == press, "waiting_for"].tolist()
        if actual:
            refused = [line for line in refused_lines(book) if line not in refused]
    told = "; ".join(recorded.known(session, row).values())
    print(f"Press {press}, {row['fabric']}: {told or 'no grade yet'}.")
    mentioned = {*grades, *actual, *["defects"] * bool(args.defects), *["note"] * bool(args.note)}
    undo = f"dtfexp undo {args.logbook} --press {press}"
    if line := recorded.replaced_line(was, mentioned, undo):
        print(line)
    for line in past_limits(session, row) if actual else ():
        print(f"PAST THE LIMIT: {line}")
    for line in refused:
        print(line)
    if row["excluded"]:
        print("This press is left out of the fit.")
    elif lacking:
        print(f"It still waits for {lacking[0]}.")
    print(f"{count_phrase(len(waiting), 'press still waits', 'presses still wait')} for a grade.")


def _grades_and_readings(
    session: Session, said: Sequence[tuple[str, str]]
) -> tuple[dict[str, str], dict[str, str]]:
    """Return what was said of outcomes, and what of settings, by the session's names."""
    outcomes = [outcome.name for outcome in session.outcomes]
    grades: dict[str, str] = {}
    actual: dict[str, str] = {}
    for given, value in said:
        name = spelled(given, [*outcomes, *(factor.name for factor in session.factors)], "name")
        place = grades if name in outcomes else actual
        if name in place:
            raise DtfexpError(f"{name!r} is given twice; give one value for it")
        place[name] = value
    return grades, actual


def note(args: Namespace) -> None:
    """Note a change at the bench, take one back, or list those noted."""
    from dtfexp.book.logbook import Logbook

    with Logbook.open(args.logbook, by=args.by) as book:
        if args.what and args.undo:
            book.bench.unchanged(args.what, day=args.day)
        elif args.what:
            book.bench.changed(args.what, day=args.day, after_press=args.after_press)
        noted = book.bench.changes()
    for row in noted.to_dict("records"):
        by = f" (noted by {row['by']})" if row["by"] else ""
        print(f"{row['day']}: {row['what']} changed after press {row['after_press']}{by}.")
    if len(noted):
        print("Earlier presses are carried over to today's bench, not mixed in.")
    else:
        print("No change is noted.")


def export(args: Namespace) -> None:
    """Write the whole logbook as sheets and JSON."""
    from dtfexp.book.logbook import Logbook

    with Logbook.open(args.logbook) as book:
        print_paths(book.export(args.out))


def import_(args: Namespace) -> None:
    """Import a results sheet, all rows or none; or take back what it said."""
    from dtfexp.book.logbook import Logbook
    from dtfexp.shop.runsheet import refused_lines

    with Logbook.open(args.logbook) as book:
        if args.undo:
            count = book.undo_import(Path(args.file).name)
            lines = [f"The import of {args.file} is taken back; that took {count} further entries."]
        else:
            done = book.import_sheet(args.file, accept=args.accept)
            lines = done.lines()
            if done.id:
                lines.append(
                    f"To take all of it back: dtfexp import {args.logbook} {args.file} --undo"
                )
        waiting, refused = len(book.waiting()), refused_lines(book)
    for line in lines:
        print(line)
    if waiting:
        print(f"{waiting} presses still wait for a grade.")
    for line in refused:
        print(line)


def report(args: Namespace) -> None:
    """Write the report, a card for each fabric, and the windows as CSV and JSON."""
    from dtfexp.book.kept_verdicts import key_of
    from dtfexp.dialin.side_by_side import end_workers, start_workers
    from dtfexp.show.report import report as papers

    with opened_book(args) as book:
        with progress("report") as told:
            asked = papers.checked(book, args.fabrics, args.unit, args.paper)
            told(0, 1, "fitting")
            key = key_of(book)
            if len(asked) > 1:
                start_workers(papers.load)
            fitted = book.bench.fitted()
            paths = papers.write_papers_of_book(
                book, fitted, args.out, fabrics=asked, unit=args.unit, paper=args.paper,
                earlier=papers.earlier_fit(args.earlier), progress=told,
            )  # fmt: skip
        end_workers()
        for path in paths:
            print(Path(path).resolve())
        print_verdicts(args.logbook, book, fitted, key)


def backup(args: Namespace) -> None:
    """Copy a logbook, by default among its automatic copies."""
    from dtfexp.book.care import backups
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.store import photos

    with Logbook.open(args.logbook) as book, warnings.catch_warnings(record=True) as lost:
        warnings.simplefilter("always")
        copy = book.backup(backups.made_folder(book.path) if args.copy is None else args.copy)
    many = count_phrase(len(list(photos.photo_folder_of_path(copy).glob("*"))), "photo")
    for line in lost:
        print(f"Note: {line.message}")
    print(f"Copied and checked, with {many}: {copy.resolve()}")
    print(f"To go back to it: dtfexp backup {copy} NEW_NAME, then work from the new file.")


def check(args: Namespace) -> int:
    """Say what is wrong with a logbook, and save what is sound; 1 when it is damaged."""
    from dtfexp.book.care import backups
    from dtfexp.book.logbook import Logbook

    found = Logbook.check(args.logbook)
    for line in found if args.salvage is None else Logbook.salvage(args.logbook, args.salvage):
        print(line)
    if args.salvage is not None:
        print(f"{args.logbook} was not changed.")
    elif not found:
        print(f"{args.logbook} is sound.")
    else:
        print(f"\nTo save what is sound: dtfexp check {args.logbook} --salvage NEW")
        for copy in list(backups.copies_of(Path(args.logbook)).values())[::-1]:
            print(f"Copy: {copy}")
    return 1 if found else 0


def open_(args: Namespace) -> None:
    """Copy the notebooks and sample data where absent, and start JupyterLab there."""
    from dtfexp.shop.files import copy_if_absent

    folder = Path(args.dir)
    written = copy_if_absent(folder)
    print(f"{len(written)} files copied to {folder.resolve()}; existing files were not changed.")
    print(
        "Start with 1_plan.ipynb, then 2_record.ipynb at the press, then 3_report.ipynb; "
        "4_keep.ipynb when you sell."
    )
    if args.no_launch:
        return
    # Nothing that lies in the folder is taken for a module or a setting of Jupyter: Python leaves
    # it out of its path, and Jupyter, which reads settings where it starts, starts elsewhere.
    page = (folder / "1_plan.ipynb").resolve()
    command = [sys.executable, "-P", "-m", "jupyterlab", str(page)]
    try:
        with tempfile.TemporaryDirectory() as elsewhere:
            code = subprocess.call(command, cwd=elsewhere, env=os.environ | {"PYTHONSAFEPATH": "1"})
    except OSError as error:
        raise DtfexpError(f"JupyterLab could not be started ({error.strerror})") from None
    if code:
        raise DtfexpError(f"JupyterLab stopped with code {code}; see its messages above")


def _print_plan(made: Plan) -> None:
    from dtfexp.shop.runsheet import limit_notes, run_sheet

    print(made.reason)
    print()
    print("\n".join(run_sheet(made)))
    if made.why:
        print()
    for line in made.why_lines():
        print(line)
    for line in made.cost().lines():
        print(line)
    for note in made.notes:
        print(f"Note: {note}")
    for line in limit_notes(made):
        print(line)
    print(ONE_LINE)
