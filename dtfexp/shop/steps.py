"""The cells of the notebooks: find or make a shop's files, and report what was done.

Every step may be repeated: existing files are opened, never replaced.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.logbook import Logbook
from dtfexp.book.status import presses_of, still_wait
from dtfexp.book.steps_of_day import steps_of
from dtfexp.describe.errors import DtfexpError
from dtfexp.describe.html_text import escape
from dtfexp.describe.session import Session
from dtfexp.dialin.schedule.cured import FILM, changes, film_of, reading
from dtfexp.shop.files import sample_folder
from dtfexp.shop.first_day.reading import whole
from dtfexp.shop.runsheet import limit_notes
from dtfexp.show.paper.run_sheet import limits
from dtfexp.show.recorder import bench_book
from dtfexp.show.text.cautions import ONE_LINE
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    from dtfexp.dialin.design.plan import Plan
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.following.next_presses import NextPlan
    from dtfexp.shop.first_day.bench_form import BenchDesk, Planning
    from dtfexp.show.forms.sheet_form import SheetForm
    from dtfexp.show.style.template import Shown

SAMPLE_SESSION = "example_session.toml"
PRACTICE = "practice.dtfbook"
PRACTICE_PRESSES = 12
EXAMPLE = "invented_example.dtfbook"
EXAMPLE_PRESSES = 30
EXAMPLE_SEED = 7
#: Letters that a cell's output is wide on a tablet held upright.
_COLUMNS = 72


def bench_form(session_file: str, planning: Planning) -> SheetForm:
    """Return the form that describes a bench and plans its first test presses."""
    from dtfexp.show.forms.sheet_form import SheetForm

    return SheetForm(bench_desk(session_file, planning))


def bench_desk(session_file: str, planning: Planning | None = None) -> BenchDesk:
    """Return the desk behind that form."""
    from dtfexp.shop.first_day.bench_form import BenchDesk, Planning
    from dtfexp.shop.runsheet import write_sheets

    return BenchDesk(session_file, planning or Planning(), write_sheets)


def planned_book(name: str, session_file: str) -> Logbook | None:
    """Return the logbook ``name``, opened; None, with a message, without one.

    Nor is the logbook of another bench than ``session_file`` describes shown.
    """
    from dtfexp.shop.first_day.bench_form import another_bench

    if not Path(name).exists():
        print("Nothing was planned when this cell ran. Plan above, then Run, Run All Cells.")
        return None
    book = Logbook.open(name)
    if other := another_bench(Path(session_file), book):
        print(other)
        book.close()
        return None
    print(f"{name} is here: it was opened, and nothing in it was changed.")
    return book


def open_book(name: str) -> bench_book.Logbook:
    """Return the logbook ``name``, opened; without one, a marked practice book."""
    from dtfexp.dialin.design.plan import plan

    if Path(name).exists():
        return bench_book.Logbook.open(name)
    print(
        f"{name} does not exist yet: 1_plan.ipynb makes it. Until then this is a PRACTICE book, "
        f"{PRACTICE}, of an invented shop: try the form freely."
    )
    if Path(PRACTICE).exists():
        return bench_book.Logbook.open(PRACTICE)
    session = Session.load(sample_folder() / SAMPLE_SESSION)
    book = bench_book.Logbook.create(PRACTICE, session)
    book.add(plan(session, PRACTICE_PRESSES))
    return book


def book_to_report(name: str) -> Logbook:
    """Return the logbook ``name`` once something is graded in it; else an invented example."""
    book = graded_book(name)
    if book is not None:
        return book
    print(
        f"Until then this page shows an INVENTED example, {EXAMPLE}: no bench, fabric or grade in "
        "it is real. 'dtfexp demo' in a terminal shows the whole job."
    )
    return example_book()


def graded_book(name: str) -> Logbook | None:
    """Return the logbook ``name`` once something is graded in it; else None, with a message."""
    if not Path(name).exists():
        print(f"{name} does not exist yet: 1_plan.ipynb makes it.")
        return None
    book = Logbook.open(name)
    if graded(book):
        return book
    book.close()
    print(f"Nothing is graded in {name} yet: record first, in 2_record.ipynb.")
    return None


def example_book() -> Logbook:
    """Return a book of the invented demo bench, its first look pressed and graded."""
    import numpy as np

    from dtfexp.dialin.design.plan import plan
    from dtfexp.shop.demo_bench import DemoBench

    bench = DemoBench()
    if Path(EXAMPLE).exists():
        book = Logbook.open(EXAMPLE)
        if book.session != bench.session:  # of another version of dtfexp: shown as it is
            return book
    else:
        book = Logbook.create(EXAMPLE, bench.session)
    if not len(book.runs()):
        book.add(plan(book.session, EXAMPLE_PRESSES, seed=EXAMPLE_SEED))
    first = book.runs().head(EXAMPLE_PRESSES)
    results = bench.press(first, np.random.default_rng(EXAMPLE_SEED))
    for run in results.to_dict("records"):
        # Fixed ids make repeated recording harmless and complete an interrupted book.
        grades = {outcome.name: run[outcome.name] for outcome in book.session.outcomes}
        book.record(int(run["press"]), grades, by="invented", id=f"invented-{run['press']}")
    return book


def more(book: Logbook, presses: int, seed: int) -> tuple[NextPlan, str]:
    """Add at most ``presses`` next test presses; return them, and what was done.

    Raises ``DtfexpError`` while planned ones are not pressed.
    """
    if waits := still_wait(book):
        raise DtfexpError(waits)
    found, carried_over = book.bench.next_presses(presses, seed=seed)
    said = [carried_over, found.reason]
    if len(found.runs):
        book.add(found)
        said = [carried_over, f"{len(found.runs)} test presses were added to {book.path.name}."]
        said += [*limit_notes(found), "Record them in 2_record.ipynb."]
    return found, " ".join(filter(None, said))


def next_form(book: Logbook, seed: int) -> SheetForm:
    """Return the form that adds the next test presses."""
    from dtfexp.show.forms.entries import Part, entry_form
    from dtfexp.show.forms.sheet_form import field

    def lines() -> list[str]:
        waits = still_wait(book)
        plans = book.plans()
        if not waits or not len(plans):
            return []
        # The report beside it knows the grades since.
        when = f"As it stood when they were planned, on {plans['time'].iloc[-1]:%Y-%m-%d at %H:%M}:"
        return [when, str(plans["reason"].iloc[-1]), *plans["notes"].iloc[-1], ONE_LINE]

    return entry_form(
        book,
        Part(
            "Next test presses",
            "Add these presses",
            lambda: [field("presses", "How many", "6", help="4 to 8 is a good batch.")],
            lambda values, _: more(book, whole(values["presses"]), seed)[1],
            lines=lines,
            off=lambda: invented(book) or still_wait(book),
        ),
    )


def invented(book: Logbook) -> str:
    """Return why nothing is booked in an invented example; "" for a shop's own book."""
    if not book.path.name.startswith("invented_"):
        return ""
    return "This is the invented example: nothing is booked in it."


def earlier_session(name: str) -> Fit | None:
    """Return the fit of an earlier logbook to compare with; None when none is named."""
    from dtfexp.show.report.session_comparison import fit_of

    return fit_of(name) if name.strip() else None


def side_by_side(fitted: Fit, earlier: Fit | None, unit: str | None) -> Shown | None:
    """Return what moved since an earlier session; without one, the fabrics compared."""
    from dtfexp.show.report.session_comparison import compare_windows

    if earlier is not None:
        return compare_windows(earlier, fitted, unit=unit)
    if len(fitted.session.fabrics) > 1:
        return compare_windows(fitted, unit=unit)
    print("One fabric and no earlier logbook: nothing to compare.")
    return None


def write_papers(
    book: Logbook,
    fitted: Fit,
    folder: str,
    unit: str | None,
    paper: str = "A4",
    earlier: Fit | None = None,
) -> list[Path]:
    """Write report, cards and windows of a fit into ``folder``.

    For the invented example, the folder's name says so. ``paper``: "A4" or "Letter"; ``earlier``: a
    session to compare with.
    """
    from dtfexp.show.report.report import write_papers_of_book

    out = Path(f"invented_example_{folder}" if book.path.name == EXAMPLE else folder)
    return write_papers_of_book(book, fitted, out, unit=unit, paper=paper, earlier=earlier)


def graded(book: Logbook) -> bool:
    """Return whether any outcome of any press is known."""
    names = [outcome.name for outcome in book.session.outcomes]
    return bool(book.results()[names].notna().to_numpy().any())


def say(first: str, *further: str) -> None:
    """Print sentences, those after the first set in; JupyterLab breaks long lines within words."""
    from dtfexp.shop.printing import print_wrapped

    print_wrapped(first, 0, _COLUMNS)
    for line in further:
        print_wrapped(f"  {line}", 2, _COLUMNS)


def summary(book: Logbook) -> str:
    """Return the progress of a book, in one sentence per matter."""
    planned, pending = len(book.runs()), book.waiting()
    to_make = int((~pending["pressed"].astype(bool)).sum())
    return (
        f"{book.path.name}, session {book.session.name}: {planned} test presses planned, "
        f"{planned - to_make} made or left out, {len(pending) - to_make} of them still without a "
        "grade."
    )


def newest_plan(book: Logbook) -> Plan:
    """Return the last plan added, as it was made."""
    from dtfexp.dialin.design.plan import Plan

    plans, runs = book.plans(), book.runs()
    if not len(plans):
        raise DtfexpError(f"{book.path.name} has no plan yet: give logbook_file a new name")
    last = plans.iloc[-1]
    mine = runs.tail(int(last["presses"])).reset_index(drop=True)
    if "block" in mine and mine["block"].isna().all():
        mine = mine.drop(columns="block")
    return Plan(
        book.session, mine, str(last["design"]), int(last["seed"]), str(last["reason"]),
        tuple(last["notes"]),
    )  # fmt: skip


def what_it_tells(book: Logbook) -> Shown:
    """Return the check of the newest plan, with the presses before it."""
    from dtfexp.show.notebook.cells import show_check

    newest = newest_plan(book)
    results = book.results()
    return show_check(newest, results[results["press"] < newest.runs["press"].min()])


def costs(book: Logbook) -> Shown:
    """Return the cost of the newest plan, and its minutes as bars."""
    from dtfexp.show.notebook.cells import show_cost

    return show_cost(newest_plan(book))


def run_sheet(book: Logbook) -> Shown:
    """Return the planned presses as a table: the steps before each over it, changes in bold."""
    from dtfexp.show.style.template import Shown

    runs, day, refused = book.runs(), steps_of(book), book.bench.refused()
    factors = [factor for factor in book.session.factors if factor.stage not in FILM]
    groups = ["press_round", *(["block"] if "block" in runs else [])]
    rows = runs.fillna(dict.fromkeys(groups, "")).to_dict("records")
    heads = ["press", "fabric", "film of load", *map(label, groups)]
    heads += [label(factor.name) for factor in factors]
    told, text = [], []
    before: dict[Any, Any] = {}
    for row, changed in zip(rows, changes(book.session, rows), strict=True):
        press = row["press"]
        first = list(day.before(press))
        if press in refused:
            first.insert(0, f"DO NOT PRESS as planned: {refused[press]}")
        first.append(f"press {press} is due at minute {day.minute(press):.0f}")
        cells = [(press, True), (row["fabric"], False), (film_of(book.session, row), False)]
        cells += [(row[c], row[c] != before.get(c)) for c in groups]
        cells += [(reading(book.session, f, row[f.name]), f.name in changed) for f in factors]
        before = row
        steps = "".join(f"<div{_RED * (press in refused)}>{escape(one)}</div>" for one in first)
        line = "".join(f"<td{_BOLD * bold}>{escape(str(cell))}</td>" for cell, bold in cells)
        told.append(f'<tr><td colspan="{len(heads)}">{steps}</td></tr><tr>{line}</tr>')
        text += [*first, ", ".join(str(cell) for cell, _ in cells)]
    caption = " ".join([*limits(book), ONE_LINE])
    titles = "".join(f"<th>{escape(head)}</th>" for head in heads)
    return Shown(
        f"{_SHEET_STYLE}<table id='dtfexp-run-sheet'><caption>{escape(caption)}</caption>"
        f"<thead><tr>{titles}</tr></thead><tbody>{''.join(told)}</tbody></table>",
        "\n".join([caption, ", ".join(heads), *text]),
    )


_BOLD, _RED = ' style="font-weight: bold"', ' style="color: #b3120c"'
_SHEET_STYLE = """<style>
#dtfexp-run-sheet { font-size: 15px; width: 100%; border-collapse: collapse; table-layout: auto }
#dtfexp-run-sheet :is(th, td, caption) { text-align: left; padding: 4px; white-space: normal; }
#dtfexp-run-sheet td[colspan] { border-top: 2px solid; padding-top: 8px; }
</style>"""


def write_sheets(book: Logbook, folder: str, paper: str = "A4") -> None:
    """Write run sheet and coupon labels as PDF, and the same as .xlsx and .csv, in ``folder``."""
    from dtfexp.shop.runsheet import write_sheets as write

    for path in write(book, Path(folder), paper):
        print(path)


def coupons(book: Logbook, folder: str, halves: bool = False, dpi: int = 300) -> None:
    """Draw the coupon of each press not made yet into ``folder``; without one say how.

    ``halves``: two pieces for each press, one to wash and one to keep; ``dpi``: 300 or 600.
    """
    from dtfexp.show.paper.coupon_artwork import coupon_artwork

    if not folder:
        print('Nothing was drawn: write film_folder = "film" at the top and run this page again.')
    elif not presses_of(book).not_pressed:
        print("Every planned press is made: no coupon was drawn.")
    else:
        made = coupon_artwork(book, folder, halves=halves, dpi=dpi)
        print(f"{len(made.paths)} files are in {folder}; strip.png and strip.pdf hold all coupons.")
        print(*made.lines(), sep="\n")
