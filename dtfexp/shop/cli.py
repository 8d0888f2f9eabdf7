"""The command line: ``dtfexp demo | new | rehearse | plan | sheet | next | import | report``
and ``open``."""

from __future__ import annotations

import argparse
import os
import sys
import tomllib
from collections.abc import Callable, Sequence
from typing import NoReturn

from dtfexp.describe.errors import DtfexpError
from dtfexp.version import __version__

_ABOUT = "Dial in a direct-to-film transfer bench with few test presses."
_ORDER = """\
In order:
  dtfexp demo                                        see the whole job done on an invented bench
  dtfexp new my_bench.toml                           the first day: a checklist, then your session
  dtfexp rehearse SESSION.toml --presses 10+4+4      are they enough? tried on invented benches
  dtfexp plan SESSION.toml my.dtfbook --presses 14   start a logbook with a first look
  dtfexp sheet my.dtfbook --out paper                run sheet and coupon labels to print
  (press, peel, wash, grade; record in 2_record.ipynb or on a sheet)
  dtfexp import my.dtfbook grades.csv                take in a sheet of grades
  dtfexp next my.dtfbook --presses 4                 the presses that teach most now
  dtfexp report my.dtfbook --out report              report, card for each fabric, windows
  dtfexp open my-shop                                the notebooks, in JupyterLab
"""


class _Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        raise _Usage(f"{message}; see '{self.prog} --help'")


class _Usage(DtfexpError):
    pass


def parser() -> argparse.ArgumentParser:
    """The parser of the whole command line."""
    top = _Parser(
        prog="dtfexp",
        description=_ABOUT,
        epilog=_ORDER,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"dtfexp {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    _demo(commands)
    _new(commands)
    _rehearse(commands)
    _plan(commands)
    _sheet(commands)
    _next(commands)
    _import(commands)
    _report(commands)
    _open(commands)
    return top


_Commands = argparse._SubParsersAction  # argparse has no public name for it


def _add(commands: _Commands[_Parser], name: str, help_: str, example: str) -> _Parser:
    command = commands.add_parser(
        name,
        help=help_,
        description=help_[0].upper() + help_[1:] + ".",
        epilog=f"Example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.set_defaults(run=name)
    return command


def _demo(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands, "demo", "do the whole job on an invented bench", "dtfexp demo --out my-demo"
    )
    command.add_argument("--out", metavar="DIR", default="dtfexp-demo", help="folder (%(default)s)")


def _new(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands,
        "new",
        "the first day of a bench: a checklist, some questions, a session file",
        "dtfexp new my_bench.toml",
    )
    command.add_argument("session", metavar="SESSION.toml", help="session file to make")


def _rehearse(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands,
        "rehearse",
        "play the session on invented benches: are the presses enough, and what do they cost",
        "dtfexp rehearse example_session.toml --presses 10+4+4",
    )
    command.add_argument("session", metavar="SESSION.toml", help="description of the session")
    command.add_argument(
        "--presses",
        type=_batches,
        required=True,
        metavar="N+N+N",
        help="test presses of each batch, such as 10+4+4",
    )
    command.add_argument(
        "--rehearsals", type=_whole, default=20, metavar="N", help="how many (%(default)s)"
    )
    command.add_argument(
        "--jobs", type=_whole, default=-1, metavar="N", help="how many at a time (-1: all cores)"
    )
    _fabrics(command)
    _seed(command)


def _plan(commands: _Commands[_Parser]) -> None:
    from dtfexp.dialin.design.plan import DESIGNS

    command = _add(
        commands,
        "plan",
        "start a logbook with a first plan",
        "dtfexp plan example_session.toml my.dtfbook --presses 14",
    )
    command.add_argument("session", metavar="SESSION.toml", help="description of the session")
    command.add_argument("logbook", metavar="LOGBOOK", help="logbook file to make")
    _presses(command)
    command.add_argument(
        "--design", default="auto", metavar="NAME", help=f"one of: {', '.join(DESIGNS)} (auto)"
    )
    command.add_argument(
        "--option",
        type=_option,
        action="append",
        default=[],
        metavar="NAME=VALUE",
        dest="options",
        help="of the design, may be given several times: resolution=4, alpha=rotatable, "
        'replicates=2, \'blocks=["Mon", "Tue"]\' ...',
    )
    _fabrics(command)
    _seed(command)


def _sheet(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands,
        "sheet",
        "write the run sheet and coupon labels to print, and the sheets to type into",
        "dtfexp sheet my.dtfbook --out paper --paper Letter",
    )
    command.add_argument("logbook", metavar="LOGBOOK")
    command.add_argument("--out", metavar="DIR", required=True, help="folder to write into")
    command.add_argument("--paper", metavar="SIZE", default="A4", help="A4 or Letter (%(default)s)")


def _next(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands,
        "next",
        "add the test presses that teach most now",
        "dtfexp next my.dtfbook --presses 4",
    )
    command.add_argument("logbook", metavar="LOGBOOK")
    _presses(command)
    _fabrics(command)
    _seed(command)


def _import(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands,
        "import",
        "take in a results sheet (.csv or .xlsx), all rows or none",
        "dtfexp import my.dtfbook grades.csv",
    )
    command.add_argument("logbook", metavar="LOGBOOK")
    command.add_argument("file", metavar="FILE")


def _report(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands,
        "report",
        "write the report, a settings card for each fabric, and the windows",
        'dtfexp report my.dtfbook --out report --unit "°F"',
    )
    command.add_argument("logbook", metavar="LOGBOOK")
    command.add_argument("--out", metavar="DIR", required=True, help="folder to write into")
    command.add_argument("--unit", metavar="UNIT", help="read temperatures in °C or °F (C, F)")
    command.add_argument("--paper", metavar="SIZE", default="A4", help="of the cards: A4 or Letter")
    command.add_argument(
        "--earlier", metavar="LOGBOOK", help="an earlier logbook: the report says what moved since"
    )
    _fabrics(command)


def _open(commands: _Commands[_Parser]) -> None:
    command = _add(
        commands, "open", "copy the notebooks where absent and start JupyterLab", "dtfexp open shop"
    )
    command.add_argument("dir", metavar="DIR", nargs="?", default=".", help="folder (this one)")
    command.add_argument("--no-launch", action="store_true", help="copy only")


def _presses(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--presses", type=_whole, metavar="N", required=True, help="at most so many test presses"
    )


def _fabrics(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--fabrics", nargs="+", metavar="NAME", help="only these fabrics (all of the session)"
    )


def _seed(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--seed", type=_whole, default=0, metavar="N", help="the same seed, the same plan (0)"
    )


def _option(text: str) -> tuple[str, object]:
    """``name=value``, the value as in a session file; a bare word is text."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=VALUE, such as resolution=4")
    if name.strip() in ("session", "presses", "fabrics", "design", "seed"):
        raise argparse.ArgumentTypeError(f"{name.strip()!r} is no option of a design")
    try:
        return name.strip(), tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        return name.strip(), value.strip()


def _batches(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in text.split("+"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not N+N+N, such as 10+4+4") from None


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number") from None


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; 0 when done, 2 with one line on stderr for a user's mistake, 130 on Ctrl-C."""
    # Before numpy is loaded: matrices here are small, and threads that share one mostly wait for
    # each other. A value that the user has set stands.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from dtfexp.shop import commands

    run: dict[str, Callable[[argparse.Namespace], None]] = {
        "demo": commands.demo,
        "new": commands.new,
        "rehearse": commands.rehearse,
        "plan": commands.plan,
        "sheet": commands.sheet,
        "next": commands.next_,
        "import": commands.import_,
        "report": commands.report,
        "open": commands.open_,
    }
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may not know "°": print a stand-in, never a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        args = parser().parse_args(argv)
        if args.command is None:
            parser().print_help()
            return 0
        run[args.run](args)
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
    return 0


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())


if __name__ == "__main__":
    sys.exit(main())
