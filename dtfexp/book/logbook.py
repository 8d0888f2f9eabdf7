"""The logbook: one file that keeps a session, its plans and everything recorded about them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import asked_readings, cure_looks
from dtfexp.book.care import backups, checking, salvage
from dtfexp.book.sheets import frames
from dtfexp.book.sheets.book_sheets import BookSheets
from dtfexp.book.store import archive, entries, entry_fields, journal, opening, store, stored_plans
from dtfexp.book.store.entries import Entry
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError
from dtfexp.describe.experience import Experience
from dtfexp.describe.session import Session

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    import pandas as pd

    from dtfexp.book.bench.bench import Bench
    from dtfexp.book.bench.step_clocks import PressWarning
    from dtfexp.dialin.design.plan import Plan

Clock = Callable[[], datetime]


def now() -> datetime:
    """Return this moment by the clock of this computer, with its offset from UTC."""
    return datetime.now().astimezone()


class Logbook(BookSheets):
    """One logbook file, open. Use ``Logbook.create`` or ``Logbook.open``, in a ``with`` block.

    Entries are appended and never changed: a later one supersedes an earlier one, and both stay
    in ``history``. When ``record`` returns, the entry is on the disk. Several programs and
    threads may use one file at once; each sees what the others have saved.

    ``by`` is who records when an entry does not say; ``clock`` tells the time, with its zone.
    """

    def __init__(self, opened: store.Store, session: Session, by: str, clock: Clock) -> None:
        self._store = opened
        self._session = session
        self._by = by
        self._clock = clock
        backups.copy_by_age(opened)

    @classmethod
    def create(
        cls, path: str | PathLike[str], session: Session, *, by: str = "", clock: Clock = now
    ) -> Self:
        """Return a new logbook for ``session``. ``LogbookError`` when the file is there already."""
        if not isinstance(session, Session):
            raise fields.refusal("session", session, "a dtfexp.Session", LogbookError)
        who, place, at = entry_fields.person(by), Path(path), entry_fields.zoned(clock())
        row = (entries.new_id(), session.to_toml(), at.isoformat(), who)
        connection = opening.made(place, at, row)
        return cls(store.Store(place, connection), session, who, clock)

    @classmethod
    def open(cls, path: str | PathLike[str], *, by: str = "", clock: Clock = now) -> Self:
        """Return the logbook at ``path``, checked; ``LogbookError`` in one line when it is none.

        A file of an older dtfexp is copied beside itself and brought up to date.
        """
        who, place = entry_fields.person(by), Path(path)
        connection, session = opening.opened(place, entry_fields.zoned(clock()))
        return cls(store.Store(place, connection), session, who, clock)

    @classmethod
    def restore(
        cls,
        source: str | PathLike[str],
        path: str | PathLike[str],
        *,
        lost_photos: bool = False,
        clock: Clock = now,
    ) -> Self:
        """Make the logbook of an exported ``logbook.json`` and its folder ``photos`` at ``path``.

        The same book, entry for entry, whole or not at all. ``LogbookError`` when anything is
        wrong; ``lost_photos`` accepts that photos are not there.
        """
        at = entry_fields.zoned(clock())
        archive.restore(Path(source), Path(path), at, _read_all, lost_photos)
        return cls.open(path, clock=clock)

    @staticmethod
    def check(path: str | PathLike[str]) -> list[str]:
        """Return what is wrong with the logbook at ``path``, a line for each record; [] when sound.

        Changes nothing. ``LogbookError`` for a file that is no logbook or cannot be read.
        """
        return checking.check(Path(path), _read_all)

    @staticmethod
    def salvage(
        path: str | PathLike[str], target: str | PathLike[str], *, clock: Clock = now
    ) -> list[str]:
        """Make a new logbook of what is sound in a damaged one and in its copies.

        Returns a line for each record that is not saved as it was written.
        """
        at = entry_fields.zoned(clock())
        return salvage.salvage(Path(path), Path(target), at, _read_all)

    def backup(self, path: str | PathLike[str]) -> Path:
        """Copy the whole logbook with its photos to the new file ``path``; return the copy.

        Into a folder: under a name with the time. Safe while others write, and checked;
        ``LogbookError`` when a file is there already or a photo is lost.
        """
        return backups.back_up(self._store, Path(path), entry_fields.zoned(self._clock()))

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Logbook({str(self.path)!r}, session {self.session.name!r})"

    @property
    def path(self) -> Path:
        """Where the file is."""
        return self._store.path

    @property
    def session(self) -> Session:
        """The session this book was made for."""
        return self._session

    def start_from(self, experience: Experience | str | PathLike[str] | None) -> None:
        """Fit and plan with this experience, or none, until the book is closed; see ``Session``."""
        self._session = self._session.altered(experience=experience)

    def add(self, plan: Plan) -> int:
        """Take a plan's presses into the book; returns how many were new.

        The very same plan added again changes nothing and returns 0. A plan of another session,
        one whose press numbers are taken by another plan, or one with a press that its fabric may
        not meet (``Session.refusal``, the machines as measured), raises ``LogbookError``.
        """
        if not hasattr(plan, "runs") or not hasattr(plan, "session"):
            raise fields.refusal("plan", plan, "a Plan, from plan(...)", LogbookError)
        stored_plans.check_session(plan.session, self.session)
        presses, gate = stored_plans.presses_of(self.session, plan), self.bench.measured_session()
        with self._writing(self._by) as (connection, at, who):
            new = stored_plans.add_plan(connection, plan, presses, gate, at, who)
        return len(presses) if new else 0

    def record(
        self,
        press: int,
        grades: Mapping[str, Any] | None = None,
        defects: Iterable[str] | str | None = (),
        actual: Mapping[str, Any] | None = None,
        note: str | None = "",
        by: str = "",
        id: str | None = None,
        *,
        block: str | None = "",
        accept: bool | Iterable[str] = False,
    ) -> str:
        """Record what is known of ``press`` and return the entry's id once it is on the disk.

        ``grades`` maps outcomes to grades and ``actual`` factors to what was really reached, in
        the factor's unit ("305 F" says its own). ``block`` is the day, roll or lot. What is not
        mentioned stays as it was; None (for a grade, a reading, or the whole of ``defects``,
        ``note``, ``block``) takes back what was said before. The same ``id`` twice makes one
        entry. Nothing is written when any part is wrong, or when a reading is hard to believe
        (``ResultsError`` asks about it) and ``accept`` neither is True nor names its factor;
        question and answer stay with the entry.
        """
        number = entry_fields.press_number(press)
        said = entry_fields.entry_fields(
            self.session, number, grades or {}, defects, actual, note, block
        )
        if not said:
            raise LogbookError(
                f"press {number}: there is nothing to record; give a grade, a defect, a reading "
                "or a note"
            )
        asked_readings.physical(self.session, f"press {number}", said)
        return self._append(number, entries.RECORD, said, by, id, actual, accept)

    def questions(self, press: int, actual: Mapping[str, Any]) -> list[dict[str, str]]:
        """Return what ``record`` would ask about the readings ``actual`` of ``press``.

        ``factor``, ``says``, ``read`` and ``meant`` ("" if unexplained) of each doubtful one.
        """
        with self._store.reading() as connection:
            return asked_readings.questions(connection, self.session, press, actual)

    def exclude(self, press: int, reason: str, by: str = "", id: str | None = None) -> str:
        """Leave a press out of every fit, saying why; its entries stay. Returns the entry's id."""
        number = entry_fields.press_number(press)
        why = entry_fields.reason(number, reason, "it is left out")
        return self._append(number, entries.RECORD, {entries.EXCLUDED: why}, by, id)

    def include(self, press: int, by: str = "", id: str | None = None) -> str:
        """Take an excluded press back in. Returns the entry's id."""
        number = entry_fields.press_number(press)
        return self._append(number, entries.RECORD, {entries.EXCLUDED: None}, by, id)

    def redo(self, press: int, reason: str, by: str = "", id: str | None = None) -> str:
        """Start a press afresh on a new coupon; return the entry's id.

        What was said of the first is kept in history and counts no more.
        """
        number = entry_fields.press_number(press)
        why = entry_fields.reason(number, reason, "it is made again")
        return self._append(number, entries.REDO, {entries.EXCLUDED: why}, by, id)

    def undo(self, press: int, by: str = "", id: str | None = None) -> str:
        """Take back the last entry of a press by a further one; undoing again brings it back.

        The same ``id`` twice undoes once. Returns the entry's id.
        """
        number, key = entry_fields.press_number(press), entry_fields.entry_id(id)
        with self._writing(by) as (connection, at, who):
            stored_plans.require_planned(connection, number)
            found = list(entries.read(connection, self.session, number))
            if key in {entry.id for entry in found}:
                return key
            said = entries.undo_fields(found)
            if not said:
                raise LogbookError(f"press {number}: nothing was recorded yet; nothing to undo")
            entry = Entry(key, number, entries.RECORD, said, entries.BENCH, at, who)
            entries.append(connection, entry)
        return key

    def _append(
        self,
        press: int,
        kind: str,
        said: Mapping[str, Any],
        by: str,
        id: str | None,
        actual: Mapping[str, Any] | None = None,
        accept: bool | Iterable[str] = True,
    ) -> str:
        key = entry_fields.entry_id(id)
        with self._writing(by) as (connection, at, who):
            stored_plans.require_planned(connection, press)
            doubts = []
            if actual and not entries.is_there(connection, key):  # asked once of each entry
                doubts = asked_readings.believed(connection, self.session, press, actual, accept)
            entries.append(connection, Entry(key, press, kind, said, entries.BENCH, at, who))
            asked_readings.keep(connection, press, key, doubts, "kept", at, who)
        return key

    def keep(
        self, kind: str, said: Mapping[str, Any], *, by: str = "", id: str | None = None
    ) -> str:
        """Keep a note about the bench, its materials or its room; returns its id.

        ``said`` is what JSON can hold. The same ``id`` twice makes one note.
        """
        return self.keep_all([(kind, said, id)], by=by)[0]

    def keep_all(
        self, notes: Iterable[tuple[str, Mapping[str, Any], str | None]], *, by: str = ""
    ) -> list[str]:
        """Keep several notes (kind, what it says, id), all or none; returns their ids."""
        asked = [(entry_fields.entry_id(id), journal.kind_of(kind), s) for kind, s, id in notes]
        with self._writing(by) as (connection, at, who):
            for key, word, said in asked:
                journal.append(connection, journal.Note(key, word, said, at, who))
        return [key for key, _, _ in asked]

    def kept(self, kind: str | None = None) -> list[journal.Note]:
        """Return the notes that hold, of one kind or of all, in order of arrival."""
        kinds = () if kind is None else (journal.kind_of(kind),)
        with self._store.reading() as connection:
            return journal.current_notes(journal.read(connection, *kinds))

    def take_back(self, note: str, *, by: str = "") -> None:
        """Take back a wrong note by its id: it stays in the file and holds no more."""
        with self._writing(by) as (connection, at, who):
            old = journal.of_id(connection, entry_fields.entry_id(note))
            journal.retract(connection, old, at, who)

    @property
    def bench(self) -> Bench:
        """The bench of this book: machines, lots of material, the room, steps, readings."""
        from dtfexp.book.bench.bench import Bench

        return Bench(self, self._clock)

    def warnings(self, press: int, now: datetime | None = None) -> list[PressWarning]:
        """Return what speaks against going on with ``press`` right now; [] when nothing does."""
        from dtfexp.book.bench import step_clocks

        number, at = entry_fields.press_number(press), entry_fields.zoned(now or self._clock())
        with self._store.reading() as connection:
            stored_plans.require_planned(connection, number)
            (found,) = (one for one in stored_plans.read_presses(connection) if one.press == number)
            notes = journal.current_notes(journal.read(connection, *step_clocks.READ))
        waiting = self.waiting()
        made = number not in set(waiting.loc[~waiting["pressed"].astype(bool), "press"])
        return step_clocks.warnings(self.bench.measured_session(), found, notes, at, made)

    def runs(self) -> pd.DataFrame:
        """All planned presses in running order, as ``Plan.runs`` has them.

        ``press``, ``oven_load``, ``press_round`` (whole numbers), ``fabric``, one column per
        factor (a number in its unit, or a word), and any further column of a plan.
        """
        with self._store.reading() as connection:
            return frames.runs(self.session, stored_plans.read_presses(connection))

    def results(self) -> pd.DataFrame:
        """All planned presses with what holds of them now: one row per press, as ``fit`` takes it.

        The columns of ``runs``; then one per outcome (a number, NaN where not known), ``block``
        (text, where told), ``excluded`` (True leaves it out of the fit), ``cure_look`` (of its
        load, where anybody looked), ``<factor>_actual`` (where read, or cured on), ``defects``
        (words joined by "; "), ``note``; where a coupon was judged again, ``<outcome>_again``.
        """
        from dtfexp.book.coupons.regrading import with_second_grades

        with self.one_view():
            looks = cure_looks.looks(self.kept(cure_looks.KIND))
            return with_second_grades(self, frames.results(self.session, *self._now(), looks))

    def waiting(self) -> pd.DataFrame:
        """Return the presses that still lack a grade and are not excluded, in running order.

        The columns of ``runs``; then ``pressed`` (True when anything was recorded of it) and
        ``waiting_for`` (the outcomes not known yet, joined by ", ").
        """
        return frames.presses_waiting(self.session, *self._now())

    def history(self, press: int | None = None) -> pd.DataFrame:
        """Every entry of ``press`` (of all presses without one) in order of arrival.

        ``entry`` (its number), ``press``, ``time`` (with zone), ``by``, ``kind`` ("record",
        "spoiled" or "redo"), ``source`` ("bench" or "sheet"), ``id``; what it said: one column
        per outcome, ``<factor>_actual``, ``block``, ``excluded`` (the reason), ``note``,
        ``defects``; ``taken_back`` (what it declared not known any more); ``asked`` (about its
        readings, with the answer); ``from_file`` (file and row); ``proposed`` (by a picture).
        """
        number = None if press is None else entry_fields.press_number(press)
        with self._store.reading() as connection:
            if number is not None:
                stored_plans.require_planned(connection, number)
            found = list(entries.read(connection, self.session, number))
            notes = journal.read(connection, *frames.HISTORY_NOTES)
        return frames.history(self.session, found, notes)

    def plans(self) -> pd.DataFrame:
        """Return one row per plan added.

        ``design``, ``seed``, ``reason``, ``notes`` (a tuple of sentences), ``presses`` (number),
        ``time`` (with zone), ``by``.
        """
        with self._store.reading() as connection:
            return frames.plans(stored_plans.plans(connection))

    def _now(self) -> tuple[list[stored_plans.Press], dict[int, dict[str, Any]]]:
        with self._store.reading() as connection:
            found = entries.read(connection, self.session)
            return stored_plans.read_presses(connection), entries.current(found)


def _read_all(path: Path) -> None:
    """Ask a logbook for everything that it can tell, so that one that cannot is found."""
    from dtfexp.book.store.photos import photos

    with Logbook.open(path) as book:
        _ = book.results(), book.history(), book.plans(), book.waiting()
        book.bench.read_all()
        photos(book)
