"""The command line: what each command is called, takes and does (``commands``)."""

from __future__ import annotations

import argparse
import os
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

from dtfexp.describe import fields
from dtfexp.describe.errors import DtfexpError
from dtfexp.shop import commands, coupons, experienced
from dtfexp.version import __version__

_ABOUT = "Dial in a direct-to-film transfer bench with few test presses."
_ORDER = """\
In order:
  dtfexp demo                                        see the whole job done on an invented bench
  dtfexp new my_bench.toml                           the first day: a checklist, then your session
  dtfexp rehearse SESSION.toml --presses 10+4+4      are they enough? tried on invented benches
  dtfexp plan SESSION.toml my.dtfbook --presses 14   start a logbook with a first look
  dtfexp sheet my.dtfbook --out paper                run sheet and coupon labels to print
  dtfexp coupon my.dtfbook --out film                coupons with number and code, for the film
  dtfexp read my.dtfbook photo.jpg                   measure coupons in a photo or scan
  (press, peel, wash, grade; record in 2_record.ipynb, on a sheet, or one by one:)
  dtfexp record my.dtfbook 5 peel=4 --by Ana         record a grade
  dtfexp import my.dtfbook grades.csv                take in a sheet of grades
  dtfexp status my.dtfbook                           what waits, the verdicts, what to do next
  dtfexp next my.dtfbook --presses 4                 the most informative presses
  dtfexp report my.dtfbook --out report              report, card for each fabric, windows
  dtfexp undo my.dtfbook                             take back a plan not yet pressed
  dtfexp note my.dtfbook powder                      note a change: new powder, film, repair ...
  dtfexp export my.dtfbook --out sheets              all of it as sheets and JSON
  dtfexp learn OLD.dtfbook --out my.dtfexp-experience   what earlier logbooks taught, for new ones
  dtfexp open my-shop                                the notebooks, in JupyterLab
  dtfexp backup my.dtfbook                           a checked copy, photos included
  dtfexp check my.dtfbook                            is the logbook sound?
"""
#: As ``book.bench.changes.WHAT``; loads as little as ``DESIGNS``.
CHANGES = ("oven", "press", "powder", "film", "ink", "season", "fabric")
#: As ``dialin.design.plan.DESIGNS``, which takes seconds to load; a test compares the two.
DESIGNS = (
    "auto", "full factorial", "fraction", "plackett-burman", "box-behnken", "central composite",
    "latin hypercube", "d-optimal", "i-optimal",
)  # fmt: skip


_LONGEST_OPTION = 4000


class _Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        raise _Usage(f"{message}; see '{self.prog} --help'")


class _Usage(DtfexpError):
    pass


def parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line; its ``handler`` is the command."""
    layout = argparse.RawDescriptionHelpFormatter
    top = _Parser(prog="dtfexp", description=_ABOUT, epilog=_ORDER, formatter_class=layout)
    top.add_argument("--version", action="version", version=f"dtfexp {__version__}")
    added = top.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    @contextmanager
    def command(
        name: str, handler: Callable[[argparse.Namespace], int | None], told: str, example: str
    ) -> Iterator[Callable[..., Any]]:
        made = added.add_parser(
            name, help=told, description=f"{told[0].upper()}{told[1:]}.",
            epilog=f"Example:\n  dtfexp {name} {example}", formatter_class=layout,
        )  # fmt: skip
        made.set_defaults(handler=handler)
        yield made.add_argument

    with command("demo", commands.demo, "do the whole job on an invented bench",
                 "--out my-demo") as take:  # fmt: skip
        take("--out", metavar="DIR", default="dtfexp-demo", help="folder (%(default)s)")
    with command("new", commands.new, "the first day of a bench: a checklist, some questions, a "
                 "session file", "my_bench.toml") as take:  # fmt: skip
        take("session", metavar="SESSION.toml", help="session file to make")
    with command("rehearse", commands.rehearse, "play the session on invented benches: are the "
                 "presses enough, and what do they cost",
                 "example_session.toml --presses 10+4+4") as take:  # fmt: skip
        take("session", metavar="SESSION.toml", help="description of the session")
        take("--presses", type=_batches, required=True, metavar="N+N+N",
             help="test presses of each batch, such as 10+4+4")  # fmt: skip
        take("--rehearsals", type=_whole, default=20, metavar="N", help="how many (%(default)s)")
        take("--jobs", type=_whole, default=-1, metavar="N",
             help="how many at a time (-1: all cores)")  # fmt: skip
        _choice_of_presses(take, count=False)
        _experience(take)
    with command("plan", commands.plan, "start a logbook with a first plan",
                 "example_session.toml my.dtfbook --presses 14") as take:  # fmt: skip
        take("session", metavar="SESSION.toml", help="description of the session")
        take("logbook", metavar="LOGBOOK", help="logbook file to make")
        take("--design", default="auto", metavar="NAME", help=f"one of: {', '.join(DESIGNS)}")
        take("--option", type=_option, action="append", default=[], metavar="NAME=VALUE",
             dest="options", help="of the design, may be given several times: resolution=4, "
             'alpha=rotatable, replicates=2, \'blocks=["Mon", "Tue"]\' ...')  # fmt: skip
        _choice_of_presses(take)
        _experience(take)
    with command("sheet", commands.sheet, "write the run sheet and coupon labels to print, and "
                 "the sheets to type into",
                 "my.dtfbook --out paper --paper Letter") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("--out", metavar="DIR", required=True, help="folder to write into")
        take("--paper", metavar="SIZE", default="A4", help="A4 or Letter (%(default)s)")
    with command("coupon", coupons.coupon, "draw the coupon of each press, with its number and "
                 "a code to read it by, for any print driver",
                 "my.dtfbook --out film --halves") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("--out", metavar="DIR", required=True, help="folder to write into")
        take("--presses", type=_whole, nargs="+", metavar="N",
             help="for these presses (those not made yet)")  # fmt: skip
        take("--halves", action="store_true", help="two pieces each: one to wash, one to keep")
        take("--dpi", type=_whole, nargs="+", default=[300], metavar="DPI",
             help="300, 600 or both (300)")  # fmt: skip
        take("--film-width", type=_number, metavar="MM",
             help="printable width of the film (as in the session: supplies)")  # fmt: skip
        take("--mirror", action="store_true",
             help="turn left and right; most print drivers do it themselves")  # fmt: skip
        _fabrics(take)
    with command("read", coupons.read, "measure coupons in photos or scans, and keep the measures "
                 "with the grades they propose (exit code 0: a coupon was read, 1: none was)",
                 "my.dtfbook monday.jpg tuesday.jpg --washes 5") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("pictures", nargs="+", metavar="PICTURE",
             help="JPEG, PNG or WebP; several coupons in one are fine")  # fmt: skip
        take("--washes", type=_whole, default=0, metavar="N",
             help="how many washes the coupons have had (0: at the press)")  # fmt: skip
        _by(take)
    with command("next", commands.next_, "add the most informative test presses",
                 "my.dtfbook --presses 4") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("--anyway", action="store_true",
             help="add presses although nothing is recorded of the last plan")  # fmt: skip
        _choice_of_presses(take)
        _experience(take)
    with command("status", commands.status, "say what is planned, what waits for which grade, each "
                 "fabric's verdict and what to do next", "my.dtfbook") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        _experience(take)
    with command("record", commands.record, "record grades and readings of one press",
                 'my.dtfbook 5 peel=4 "press temperature=305 F" --by Ana') as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("press", type=_whole, metavar="PRESS", help="its number")
        take("said", type=_said, nargs="*", metavar="NAME=VALUE",
             help="a grade of an outcome, or what a setting really reached")  # fmt: skip
        take("--defect", action="append", default=[], dest="defects", metavar="WORDS",
             help="what was seen on the print; may be given several times")  # fmt: skip
        take("--note", default="", metavar="TEXT", help="a note")
        take("--accept", action="store_true",
             help="take readings that are hard to believe as they are written")  # fmt: skip
        _by(take)
    with command("undo", commands.undo, "take back the last plan, if nothing is recorded of it; or "
                 "the last entry of a press (the history keeps both)",
                 "my.dtfbook --press 5") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("--press", type=_whole, metavar="PRESS", help="take back its last entry instead")
        _by(take)
    with command("note", commands.note, "note a change at the bench, from which dialling in again "
                 "starts; without one, list those noted",
                 "my.dtfbook powder --day 2026-05-01") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("what", nargs="?", metavar="WHAT", help=f"one of: {', '.join(CHANGES)}")
        take("--day", metavar="DAY", help="when, such as 2026-05-01 (today)")
        take("--after-press", type=_whole, metavar="PRESS",
             help="the last press made before it (the last one made so far)")  # fmt: skip
        take("--undo", action="store_true", help="take back this change of that day")
        _by(take)
    with command("import", commands.import_, "take in a results sheet (.csv or .xlsx), all rows or "
                 "none", "my.dtfbook grades.csv") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("file", metavar="FILE")
        take("--accept", action="store_true",
             help="take readings that are hard to believe as they are written")  # fmt: skip
        take("--undo", action="store_true",
             help="take back the last import of this file as a whole")  # fmt: skip
    with command("report", commands.report, "write the report, a settings card for each fabric, "
                 "and the windows", 'my.dtfbook --out report --unit "°F"') as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("--out", metavar="DIR", required=True, help="folder to write into")
        take("--unit", metavar="UNIT", help="read temperatures in °C or °F (C, F)")
        take("--paper", metavar="SIZE", default="A4", help="of the cards: A4 or Letter")
        take("--earlier", metavar="LOGBOOK",
             help="an earlier logbook: the report says what moved since")  # fmt: skip
        _fabrics(take)
        _experience(take)
    with command("export", commands.export, "write everything as sheets (.csv, .xlsx) and JSON",
                 "my.dtfbook --out sheets") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("--out", metavar="DIR", required=True, help="folder to write into")
    with command("learn", experienced.learn, "learn from logbooks what a new session can start "
                 "from",
                 "cotton.dtfbook nylon.dtfbook --out shop.dtfexp-experience") as take:  # fmt: skip
        take("logbooks", metavar="LOGBOOK", nargs="+")
        take("--out", metavar="FILE", required=True, help="file to write: small, no single press")
        take("--name", default="", metavar="TEXT", help="of the shop or supplier")
        take("--keep", metavar="DIR", help="folder for what each logbook told: goes on from there")
        take("--jobs", type=_whole, default=1, metavar="N",
             help="logbooks at a time (%(default)s; -1: all cores)")  # fmt: skip
    with command("backup", commands.backup, "copy a logbook and its photos, safely while it is in "
                 "use", "my.dtfbook /media/stick") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("copy", metavar="COPY", nargs="?", help="file to make, or folder to put it into "
             "(LOGBOOK.backups, where copies are kept by age)")  # fmt: skip
    with command("check", commands.check, "look for damage, record by record (exit code 0: sound, "
                 "1: damaged, 2: no logbook)",
                 "my.dtfbook --salvage new.dtfbook") as take:  # fmt: skip
        take("logbook", metavar="LOGBOOK")
        take("--salvage", metavar="NEW", help="logbook to make of all that is sound")
    with command("open", commands.open_, "copy the notebooks where absent and start JupyterLab",
                 "shop") as take:  # fmt: skip
        take("dir", metavar="DIR", nargs="?", default=".", help="folder (this one)")
        take("--no-launch", action="store_true", help="copy only")
    return top


def _by(take: Callable[..., Any]) -> None:
    take("--by", default="", metavar="NAME", help="who says so")


def _experience(take: Callable[..., Any]) -> None:
    take("--experience", metavar="FILE", help="start from what 'dtfexp learn' wrote; none: from "
         "the general prior (the session's own)")  # fmt: skip


def _fabrics(take: Callable[..., Any]) -> None:
    take("--fabrics", nargs="+", metavar="NAME", help="only these fabrics (all of the session)")


def _choice_of_presses(take: Callable[..., Any], count: bool = True) -> None:
    if count:
        take("--presses", type=_whole, metavar="N", required=True,
             help="most test presses to plan")  # fmt: skip
    _fabrics(take)
    take("--seed", type=_whole, default=0, metavar="N", help="the same seed, the same plan (0)")


def _option(text: str) -> tuple[str, object]:
    """``name=value``, the value as in a session file; a bare word is text."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=VALUE, such as resolution=4")
    if name.strip() in ("session", "presses", "fabrics", "design", "seed"):
        raise argparse.ArgumentTypeError(f"{name.strip()!r} is no option of a design")
    try:
        return name.strip(), tomllib.loads(f"value = {value[:_LONGEST_OPTION]}")["value"]
    except (ValueError, RecursionError):
        return name.strip(), value.strip()


def _said(text: str) -> tuple[str, str]:
    name, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not name or not value:
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=VALUE, such as peel=4")
    return name, value


def _batches(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in text.split("+"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not N+N+N, such as 10+4+4") from None


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r:.80} is not a whole number") from None


def _number(text: str) -> float:
    number = fields.number_from_text(text)
    if number is None:
        raise argparse.ArgumentTypeError(f"{text!r:.80} is not a number")
    return number


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; 0 when done, 2 with one line on stderr for a user's mistake, 130 on Ctrl-C."""
    # Before numpy is loaded: matrices here are small, and threads that share one mostly wait for
    # each other. A value that the user has set stands.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may not know "°": print a stand-in, never a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        args = parser().parse_args(argv)
        if args.command is None:
            parser().print_help()
            return 0
        if args.command not in ("plan", "check") and "logbook" in args:
            # Before anything heavy is loaded: a mistyped name is told at once.
            from dtfexp.book.store.store import check_header

            check_header(Path(args.logbook))
        return args.handler(args) or 0
    except DtfexpError as error:
        print(f"dtfexp: {_one_line(error)}", file=sys.stderr)
        return 2
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        print(f"dtfexp: {name}{error.strerror or _one_line(error)}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("dtfexp: stopped; what was recorded is kept", file=sys.stderr)
        return 130


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())


if __name__ == "__main__":
    sys.exit(main())
