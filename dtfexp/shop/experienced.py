"""``dtfexp learn``, and the option ``--experience`` of the commands that use a session."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.session import Session

#: What leaves a session's own experience out.
NONE = "none"


def learn(args: Namespace) -> None:
    """Learn from logbooks and write what they taught."""
    from dtfexp.book.learning import learn as learnt_from

    out = Path(args.out)
    made = learnt_from(args.logbooks, name=args.name, keep=args.keep, jobs=args.jobs)
    made.save(out)
    print(made.describe())
    print(f"\nExperience: {out.resolve()}")
    print("Start a session from it: dtfexp plan SESSION.toml my.dtfbook --presses 6 "
          f"--experience {out}")  # fmt: skip


def loaded_session(args: Namespace) -> Session:
    """Return the session of the command, with the experience that was asked for."""
    from dtfexp.describe.session import Session

    session = Session.load(args.session)
    if args.experience is None:
        return session
    return session.altered(experience=None if args.experience == NONE else args.experience)


@contextmanager
def opened_book(args: Namespace) -> Iterator[Logbook]:
    """Yield the logbook of the command, which starts from the experience that was asked for."""
    from dtfexp.book.logbook import Logbook

    with Logbook.open(args.logbook) as book:
        if args.experience is not None:
            book.start_from(None if args.experience == NONE else args.experience)
        yield book
