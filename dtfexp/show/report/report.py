"""The papers of a session: the report, a card per fabric, and the machine-readable windows."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from functools import partial
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.describe.tomltext import write_file

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.fabric import Fabric
    from dtfexp.describe.session import Session
    from dtfexp.dialin.fit import Fit
    from dtfexp.show.report.photo_thumbnails import Pictures
    from dtfexp.show.text.fabric_results import FabricResult
    from dtfexp.show.text.measured_conditions import MeasuredConditions

Progress = Callable[[int, int, str], None]
_LONGEST_SLUG = 60
#: Beside the papers: what was written, so that nothing else is ever taken away.
MANIFEST = ".dtfexp-papers.json"


def report(
    book_or_path: Logbook | str | PathLike[str],
    out: str | PathLike[str],
    *,
    fabrics: Iterable[str | Fabric] | None = None,
    unit: str | None = None,
    paper: str = "A4",
    earlier: Fit | Logbook | str | PathLike[str] | None = None,
    progress: Progress | None = None,
) -> list[Path]:
    """Write report.html, a settings card per fabric, windows.csv and windows.json into ``out``.

    ``book_or_path``: a ``Logbook`` or its path. ``fabrics``: only these (default all). ``unit``:
    "°C" or "°F" for temperatures (default the session's). ``paper``: "A4" or "Letter", for the
    cards. ``earlier``: a logbook or fit of an earlier session, to compare with. ``progress``:
    called with (steps done, steps in all, next step). Returns the paths written.

    The same logbook gives the same bytes. Papers of another session that were written into ``out``
    before are removed unless they were changed since; no other file is touched. Raises
    ``LogbookError`` for a file that is not a logbook, ``SessionError`` for an unknown fabric or
    unit, ``DtfexpError`` when a file cannot be written.
    """
    from dtfexp.book.logbook import Logbook

    if isinstance(book_or_path, (str, PathLike)):
        with Logbook.open(book_or_path) as book:
            return _of_book(book, out, fabrics, unit, paper, earlier, progress)
    if not isinstance(book_or_path, Logbook):
        raise fields.refusal(
            "book_or_path", book_or_path, "a Logbook or the path of one", LogbookError
        )
    return _of_book(book_or_path, out, fabrics, unit, paper, earlier, progress)


def _of_book(
    book: Logbook,
    out: str | PathLike[str],
    fabrics: Iterable[str | Fabric] | None,
    unit: str | None,
    paper: str,
    earlier: Fit | Logbook | str | PathLike[str] | None,
    progress: Progress | None,
) -> list[Path]:
    chosen = checked(book, fabrics, unit, paper)
    _report_progress(progress, 0, 2 * len(chosen) + 1, "fitting")
    before = earlier_fit(earlier)
    return write_papers_of_book(
        book, book.bench.fitted(), out,
        fabrics=chosen, unit=unit, paper=paper, earlier=before, progress=progress,
    )  # fmt: skip


def checked(
    book: Logbook, fabrics: Iterable[str | Fabric] | None, unit: str | None, paper: str
) -> list[str]:
    """Return the names of the fabrics asked for.

    A wrong unit, paper or fabric raises here, before the long work of the fit.
    """
    from dtfexp.show.paper.pdf_page import known_paper
    from dtfexp.show.text.number_format import NumberFormat

    NumberFormat.of(book.session, unit)
    known_paper(paper)
    return _chosen(book, fabrics)


def earlier_fit(earlier: Fit | Logbook | str | PathLike[str] | None) -> Fit | None:
    """Return the fit of an earlier session to compare with, None without one."""
    from dtfexp.show.report.session_comparison import fit_of

    return None if earlier is None else fit_of(earlier)


def write_papers_of_book(
    book: Logbook,
    fitted: Fit,
    out: str | PathLike[str],
    *,
    fabrics: Iterable[str | Fabric] | None = None,
    unit: str | None = None,
    paper: str = "A4",
    earlier: Fit | None = None,
    progress: Progress | None = None,
) -> list[Path]:
    """Write the papers like ``report``, from a logbook that is fitted already.

    ``fitted``: ``book.bench.fitted()``, which includes machine measurements and noted changes.
    """
    from dtfexp.book.store.photos import photos
    from dtfexp.show.report.photo_thumbnails import pictures
    from dtfexp.show.text.measured_conditions import MeasuredConditions

    times = [time for time in book.history()["time"] if time is not None]
    chosen = _chosen(book, fabrics)
    shown = set(fitted.results["press"][fitted.results["fabric"].isin(chosen)])
    return write_papers(
        fitted,
        out,
        fabrics=chosen,
        unit=unit,
        paper=paper,
        plans=book.plans(),
        last_entry=max(times) if times else None,
        earlier=earlier,
        progress=progress,
        measured=MeasuredConditions.of(book),
        pictures=pictures(photo for photo in photos(book) if photo.press in shown),
    )


def write_papers(
    fit: Fit,
    out: str | PathLike[str],
    *,
    fabrics: Sequence[str],
    unit: str | None = None,
    paper: str = "A4",
    plans: pd.DataFrame | None = None,
    last_entry: datetime | None = None,
    earlier: Fit | None = None,
    progress: Progress | None = None,
    measured: MeasuredConditions | None = None,
    pictures: Pictures | None = None,
) -> list[Path]:
    """Write the papers like ``report``, from a fit.

    ``plans``: ``Logbook.plans()``; ``last_entry``: dates the papers; ``measured``: readings of the
    machines; ``pictures``: of the presses.
    """
    from dtfexp.dialin.side_by_side import side_by_side
    from dtfexp.dialin.window.find_window import keep_window
    from dtfexp.show.paper.pdf_page import known_paper
    from dtfexp.show.report import machine_readable, page
    from dtfexp.show.report.fit_section import FitSection
    from dtfexp.show.text.experience_text import experience_notes
    from dtfexp.show.text.measured_conditions import MeasuredConditions, blocks_sentence
    from dtfexp.show.text.number_format import NumberFormat

    session, bench, sheet = fit.session, measured or MeasuredConditions(), known_paper(paper)
    reading = NumberFormat.of(session, unit)
    if plans is None:
        plans = pd.DataFrame({"design": [], "seed": [], "reason": [], "notes": [], "presses": []})
    steps, done = 3 * len(fabrics) + 3, 1

    def said(what: str) -> Callable[[int], None]:
        _report_progress(progress, done, steps, what)

        def one_more(_: int) -> None:
            nonlocal done
            done += 1
            _report_progress(progress, done, steps, what)

        return one_more

    # The longest first, the shortest last: both cores are done at about the same time.
    first: list[Callable[[], Any]] = [fit.surprises]
    first += [partial(_finding, fit, name) for name in fabrics]
    first.append(partial(FitSection.but_surprises, fit))
    several = len(fabrics) > 1
    surprises, *found, rest = side_by_side(first, said("windows"), start=several)
    understood = FitSection(surprises=surprises, **rest)
    for one in found:
        keep_window(fit, one.window)
    findings = [
        replace(bench.as_read(one), outlying_presses=understood.outlying_presses(one.name))
        for one in found
    ]
    learnt = experience_notes(fit, list(fabrics), reading)
    names = card_names(fabrics)
    document = machine_readable.as_dict(
        findings,
        session,
        fit.results,
        reading,
        seeds=[int(seed) for seed in plans["seed"]],
        last_entry=None if last_entry is None else last_entry.isoformat(),
        measured=bench,
    )

    conditions = blocks_sentence(fit.results)
    second: list[Callable[[], Any]] = [
        partial(_section, one, fit, reading, understood, f"fabric-{number}", name)
        for number, (name, one) in enumerate(zip(names, findings, strict=True), start=1)
    ]
    second += [
        partial(
            _card, one, session, reading, last_entry=last_entry, paper=sheet,
            conditions=[
                *conditions, *bench.sentences(one, session, reading), *learnt.card(one.name)
            ],
        )
        for one in findings
    ]  # fmt: skip
    drawn = side_by_side(second, said("figures and cards"), start=several)
    sections, cards = drawn[: len(findings)], drawn[len(findings) :]
    html = page.render(
        findings,
        fit,
        reading,
        sections=sections,
        understood=understood,
        document=document,
        plans=plans,
        last_entry=last_entry,
        measured=bench,
        earlier=earlier,
        pictures=pictures,
        learnt=learnt.page(),
    )
    files: list[tuple[str, bytes]] = [("report.html", html.encode())]
    files += list(zip(names, cards, strict=True))
    files.append(("windows.csv", machine_readable.to_csv(document).encode("utf-8-sig")))
    files.append(("windows.json", machine_readable.to_json(document).encode()))
    written = [_write(Path(out) / name, content) for name, content in files]
    _keep_manifest(Path(out), session, dict(files))
    _report_progress(progress, steps, steps, "done")
    return written


def load() -> None:
    """Load what papers need: on a worker while this process fits, its time is then to compute."""
    import fpdf  # noqa: F401
    from matplotlib.backends import backend_svg  # noqa: F401

    from dtfexp.show.paper import card  # noqa: F401
    from dtfexp.show.report import fabric_section  # noqa: F401
    from dtfexp.show.text import fabric_results  # noqa: F401


def _finding(fit: Fit, fabric: str) -> FabricResult:
    from dtfexp.show.text.fabric_results import fabric_result

    return fabric_result(fit, fabric)


def _section(finding: FabricResult, *further: Any) -> dict[str, Any]:
    from dtfexp.show.report.fabric_section import fabric_section

    return fabric_section(finding, *further)


def _card(finding: FabricResult, *further: Any, **options: Any) -> bytes:
    from dtfexp.show.paper.card import settings_card

    return settings_card(finding, *further, **options)


def card_names(fabrics: Sequence[str]) -> list[str]:
    """Return a file name per fabric, portable and unique regardless of capitals."""
    found: list[str] = []
    for fabric in fabrics:
        text = unicodedata.normalize("NFC", fabric).casefold()
        slug = re.sub(r"[\W_]+", "-", text).strip("-")[:_LONGEST_SLUG].strip("-") or "fabric"
        name, number = f"card-{slug}.pdf", 1
        while name in found:
            number += 1
            name = f"card-{slug}-{number}.pdf"
        found.append(name)
    return found


def _chosen(book: Logbook, fabrics: Iterable[str | Fabric] | None) -> list[str]:
    if fabrics is None:
        return [fabric.name for fabric in book.session.fabrics]
    asked = [fabrics] if isinstance(fabrics, str) else list(fabrics)
    chosen = list(dict.fromkeys(book.session.fabric(fabric).name for fabric in asked))
    if not chosen:
        raise LogbookError("fabrics is empty; name at least one fabric, or leave it out for all")
    return chosen


def _keep_manifest(folder: Path, session: Session, files: Mapping[str, bytes]) -> None:
    """List the papers written; remove those of another session that were written here before.

    A paper that was changed since stays, and so does every file that is not on the list.
    """
    items = (session.factors, session.outcomes, session.fabrics)
    of = _digest(repr([session.name, *([item.name for item in some] for some in items)]).encode())
    try:
        before = json.loads((folder / MANIFEST).read_bytes())
        ours = {str(name): str(digest) for name, digest in before["papers"].items()}
        same = before["session"] == of
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        ours, same = {}, True  # none, or not one of ours: every other file is a stranger's
    for name, digest in ours.items():
        path = folder / name
        mine = name not in files and Path(name).name == name and not path.is_symlink()
        if not same and mine and path.is_file() and _digest(path.read_bytes()) == digest:
            _remove(path)
    now = {name: _digest(content) for name, content in files.items()}
    kept = {name: digest for name, digest in ours.items() if same} | now
    told = {"session": of, "papers": dict(sorted(kept.items()))}
    _write(folder / MANIFEST, json.dumps(told, indent=1).encode())


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _remove(path: Path) -> None:
    try:
        path.unlink()
    except OSError as error:
        raise DtfexpError(
            f"{path}: a paper of an earlier session cannot be removed "
            f"({error.strerror or error}); close it, or give another folder"
        ) from None


def _write(path: Path, content: bytes) -> Path:
    with suppress(OSError):  # what stands in the way is told when the file is written
        path.parent.mkdir(parents=True, exist_ok=True)
    hint = "; give a folder that can be written to, and close the file if it is open elsewhere"
    write_file(content, path, DtfexpError, hint)
    return path


def _report_progress(progress: Progress | None, done: int, steps: int, what: str) -> None:
    if progress is not None:
        progress(done, steps, what)
