"""The verdicts of the last fit, kept beside the logbook, so that ``status`` need not fit again.

They stand in ``<logbook>.verdicts``, a file that may be deleted at any time and is part of no copy
or export. They count only under the digest of all that a verdict depends on: every record of the
book, in order, and the program itself.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dtfexp.book.store import chain
from dtfexp.describe.errors import DtfexpError
from dtfexp.describe.tomltext import write_file
from dtfexp.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dtfexp.book.logbook import Logbook

#: Bytes; no file of verdicts is as long.
_LONGEST = 100_000


@dataclass(frozen=True)
class Verdict:
    """The verdict on one fabric.

    ``looked``: whether a window was looked for, not before the first grade; ``closed``: its heat
    limit, or what is forbidden, leaves no setting; ``out_of_reach``: more presses in today's
    ranges would hardly find a window.
    """

    fabric: str
    sentence: str
    looked: bool = False
    found: bool = False
    proven: bool = False
    out_of_reach: bool = False
    closed: bool = False

    @property
    def line(self) -> str:
        """The fabric with its verdict."""
        return f"{self.fabric}: {self.sentence}"


def file_of(book: Path) -> Path:
    """Return where the verdicts of the logbook at ``book`` are kept."""
    return book.with_name(f"{book.name}.verdicts")


def key_of(book: Logbook) -> str:
    """Return the digest of all that a verdict depends on; "" where it depends on other files."""
    if book.session.experience is not None:
        return ""
    with book._store.reading() as connection:
        link, head = chain.head(connection)
    package = Path(__file__).parents[1]
    program = [
        (path.relative_to(package).as_posix(), told.st_size, told.st_mtime_ns)
        for path in sorted(package.rglob("*.py"))
        for told in [path.stat()]
    ]
    return hashlib.sha256(repr((link, head, __version__, program)).encode()).hexdigest()


def kept(book: Logbook, key: str) -> tuple[Verdict, ...] | None:
    """Return the verdicts kept under ``key``, None where there are none, or none that can be read.

    ``key``: of today's book, :func:`key_of`.
    """
    path = file_of(book.path)
    try:
        if not key or path.stat().st_size > _LONGEST:
            return None
        told = json.loads(path.read_text(encoding="utf-8"))
        found = tuple(Verdict(**one) for one in told["verdicts"]) if told["of"] == key else ()
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return None
    fabrics = [fabric.name for fabric in book.session.fabrics]
    sound = all(isinstance(one.sentence, str) and one.sentence.isprintable() for one in found)
    return found if sound and [one.fabric for one in found] == fabrics else None


def keep(book: Logbook, key: str, verdicts: Sequence[Verdict]) -> None:
    """Keep the verdicts of a fit under ``key``, that of the book before it was read for the fit.

    Nothing is kept when the book has changed since, or where nothing can be written.
    """
    if not key or key_of(book) != key:
        return
    told = {"of": key, "verdicts": [asdict(one) for one in verdicts]}
    with suppress(DtfexpError):
        write_file(json.dumps(told, indent=1), file_of(book.path), DtfexpError)
