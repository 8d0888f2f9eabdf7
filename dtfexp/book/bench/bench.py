"""The bench around a logbook: machines, lots, room, steps, daily counts and opening checks.

An index to their modules.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from dtfexp.book.bench import (
    carried_over,
    changes,
    cure_looks,
    daily_counts,
    machine_readings,
    machines,
    material_lots,
    opening_checks,
    room_climate,
    step_clocks,
)
from dtfexp.book.bench.machine_readings import PlatenMap
from dtfexp.book.bench.step_clocks import PressWarning
from dtfexp.book.store import entry_fields, photos

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from os import PathLike
    from typing import Protocol

    import pandas as pd

    from dtfexp.book.store.journal import JournalOwner
    from dtfexp.describe.session import Session
    from dtfexp.dialin.design.plan import Plan
    from dtfexp.dialin.encode.calibrations import Calibrations
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.recalibrate.redial import Redial

    class Book(JournalOwner, Protocol):
        """What a bench needs of its logbook."""

        @property
        def path(self) -> Path: ...

        def runs(self) -> pd.DataFrame: ...

        def results(self) -> pd.DataFrame: ...

        def waiting(self) -> pd.DataFrame: ...

        def history(self, press: int | None = None) -> pd.DataFrame: ...


class Bench:
    """What a logbook knows of its bench, from ``book.bench``.

    Temperatures are told and read in the session's unit; text such as "75 F" says its own.
    """

    def __init__(self, book: Book, clock: Callable[[], datetime]) -> None:
        self._book = book
        self._clock = clock

    @property
    def today(self) -> date:
        """The day by the book's clock."""
        return self._clock().date()

    def machine(
        self,
        which: str,
        *,
        low: object = None,
        high: object = None,
        step: object = None,
        warm_up_minutes: object = None,
        change_over_minutes: object = None,
        is_a: str | None = None,
        by: str = "",
    ) -> str:
        """Note what a machine can be set to and how long it takes: the session's ``"oven"`` or
        ``"press"``, or another by its name, of which ``is_a`` says which of the two it is."""
        told = {
            "low": low,
            "high": high,
            "step": step,
            "warm_up_minutes": warm_up_minutes,
            "change_over_minutes": change_over_minutes,
        }
        return machines.keep_machine(self._book, which, told, is_a=is_a, by=by)

    def what(self, which: str) -> machines.Machine:
        """What is known of the session's ``"oven"`` or ``"press"``, or of another by its name."""
        return machines.machine(self._book.kept(machines.KIND), self._book.session, which)

    def lot(
        self,
        what: str,
        name: str,
        *,
        opened: object = None,
        printed: object = None,
        machine: str = "",
        by: str = "",
    ) -> str:
        """Note that this lot of ``"film"``, ``"powder"`` or ``"ink"`` is in use from now on, at
        ``machine`` only if one is named."""
        return material_lots.keep_lot(
            self._book, what, name, opened=opened, printed=printed, machine=machine,
            today=self._clock().date(), by=by,
        )  # fmt: skip

    def lots(self) -> pd.DataFrame:
        """Every lot noted: ``what``, ``name``, ``opened``, ``printed``, ``use_by`` (days or None),
        ``since`` (time with zone from which it was in use), ``by``, ``machine`` ("" for all)."""
        return material_lots.frame(material_lots.lots(self._book.kept(material_lots.KIND)))

    def room(
        self,
        *,
        temperature: object = None,
        humidity: object = None,
        altitude: object = None,
        film_temperature: object = None,
        by: str = "",
    ) -> str:
        """Note the air of the room: temperature, humidity in %, altitude in m ("5280 ft"), and
        the temperature of the coldest film, powder or garment."""
        told = {
            "temperature": temperature,
            "humidity": humidity,
            "altitude": altitude,
            "film_temperature": film_temperature,
        }
        return room_climate.keep_room(self._book, told, by=by)

    def rooms(self) -> pd.DataFrame:
        """Every reading of the room: ``time``, ``by``; ``temperature``, ``film_temperature``,
        ``dew_point``, ``boiling_point`` in the session's unit; ``humidity`` in %, ``moisture`` in
        g/m³, ``altitude`` in m, ``pressure`` in hPa; NaN where not known."""
        return room_climate.frame(
            self._book.kept(room_climate.KIND), self._book.session.temperature_unit
        )

    def rooms_pressed_in(self) -> pd.DataFrame:
        """The rows of ``rooms`` that the test presses were made in, as far as the clock tells."""
        entries = self._book.history()
        # When each press was first recorded: wash grades come days later.
        last = max(entries.groupby("press")["time"].min()) if len(entries) else None
        return room_climate.while_pressing(self.rooms(), last)

    def room_strays(self) -> list[str]:
        """What of today's room lies outside what the test presses met, a sentence each."""
        unit = self._book.session.temperature_unit
        return room_climate.outside_of_tested(self.rooms(), self.rooms_pressed_in(), unit)

    def mark(
        self,
        step: str,
        *,
        press: object = None,
        load: object = None,
        at: datetime | None = None,
        by: str = "",
    ) -> str:
        """Note that a step (one of ``clocks.STEPS``) has just happened, or happened ``at``."""
        when = self._clock() if at is None else at
        return step_clocks.keep_mark(self._book, step, when, press=press, load=load, by=by)

    def look(
        self,
        load: object,
        look: object,
        *,
        cured_on: object = None,
        note: str = "",
        photo: bytes | str | PathLike[str] | None = None,
        by: str = "",
        id: str | None = None,
    ) -> str:
        """Note what the powder side of an oven load looks like: ``"grainy"`` (or dull),
        ``"good"`` (melted, glossy) or ``"browned"`` (or blistered); returns the note's id.

        cured_on: seconds for which the load goes back into the oven from now; it then counts as
        cured again. photo: a picture, or the path of one, kept with the load's first press. A
        later look supersedes this one; the same ``id`` twice makes one note.
        """
        if id is not None and id in {one.id for one in self._book.kept(cure_looks.KIND)}:
            return id
        runs, key = self._book.runs(), entry_fields.entry_id(id)
        said = cure_looks.said(load, look, runs["oven_load"].tolist(), cured_on=cured_on, note=note)
        if photo is not None:
            first = int(runs.loc[runs["oven_load"] == said["load"], "press"].iloc[0])
            photos.keep_photo(self._book, first, photos.content(photo), by=by, id=f"{key} photo")
        self._book.keep(cure_looks.KIND, said, by=by, id=key)
        if "cured_on" in said:
            done = self._clock() + timedelta(seconds=said["cured_on"])
            self.mark("cured", load=said["load"], at=done, by=by)
        return key

    def looks(self) -> pd.DataFrame:
        """What holds of every load looked at; see ``looks.frame``."""
        return cure_looks.frame(cure_looks.looks(self._book.kept(cure_looks.KIND)))

    def map(
        self,
        factor: str,
        set_point: object,
        points: object,
        *,
        instrument: str = "probe",
        emissivity: object = None,
        set_to: object = 0.95,
        reflected: object = None,
        unit: str | None = None,
        machine: str | None = None,
        by: str = "",
    ) -> PlatenMap:
        """Keep a nine-point map of platen or oven bed, of another ``machine`` than the session's
        own if one is named; see ``machine_readings.keep_map``."""
        key = machine_readings.keep_map(
            self._book,
            factor,
            set_point,
            points,
            instrument=instrument,
            emissivity=emissivity,
            set_to=set_to,
            reflected=reflected,
            unit=unit,
            machine=machine,
            by=by,
        )
        (kept,) = (one for one in self.maps() if one.id == key)
        return kept

    def check(
        self,
        factor: str,
        set_point: object,
        reached: object,
        *,
        machine: str | None = None,
        by: str = "",
    ) -> str:
        """Keep one reading of what was set and what was reached; ``machine`` as for ``map``."""
        return machine_readings.keep_check(
            self._book, factor, set_point, reached, machine=machine, by=by
        )

    def maps(self) -> list[PlatenMap]:
        """Every map, in order; ``machine_readings.frame`` makes a table of them."""
        return machine_readings.maps(self._book.kept(machine_readings.MAP))

    def true_settings(self) -> Calibrations:
        """What the machines really reach, from all readings; empty when nothing was read."""
        notes = [*self._book.kept(machine_readings.MAP), *self._book.kept(machine_readings.CHECK)]
        return machine_readings.calibrations_of(self._book.session, notes, self._book.results())

    def measured_session(self) -> Session:
        """The session with its machines as they were measured; its ``refusal`` is the heat gate
        of this book."""
        return self.true_settings().session(self._book.session)

    def refused(self, gate: Session | None = None) -> dict[int, str]:
        """The planned presses that are not made yet and must not be made as planned, each with
        the reason: planned before the press was measured, say. ``gate``: the
        ``measured_session``, where it is known already."""
        gate = self.measured_session() if gate is None else gate
        waiting = self._book.waiting()
        names = [factor.name for factor in gate.factors]
        found = {}
        for row in waiting[~waiting["pressed"].astype(bool)].to_dict("records"):
            why = step_clocks.refusal(gate, {name: row[name] for name in names}, row["fabric"])
            if why:
                found[int(row["press"])] = why
        return found

    def for_fit(self) -> tuple[Session, pd.DataFrame]:
        """Session and results as the fit should have them: measured spreads, true settings."""
        true = self.true_settings()
        session = true.session(self._book.session)
        return session, true.results(self._book.results())

    def carried(self, fabric: str | None = None) -> Redial | None:
        """The session dialled in again since the last change noted: ``carried_over.redialled``."""
        return carried_over.redialled(*self.for_fit(), self.changes(), fabric)

    def next_presses(
        self, presses: int, *, fabrics: Sequence[str] | None = None, seed: int = 0
    ) -> tuple[Plan, str]:
        """The presses that teach most now, and a sentence on what is carried over from before a
        noted change (empty without one)."""
        from dtfexp.dialin.following.next_presses import next_presses

        session, results = self.for_fit()
        known = carried_over.redialled(
            session, results, self.changes(), fabrics[0] if fabrics else None
        )
        if known is None:
            return next_presses(session, results, presses, fabrics=fabrics, seed=seed), ""
        wanted = fabrics or session.fabrics
        return known.next_presses(presses, fabrics=wanted, seed=seed), known.sentence

    def fitted(self) -> Fit:
        """The fit of what is recorded, the presses of before a noted change carried over."""
        from dtfexp.dialin.fit import fit

        session, results = self.for_fit()
        known = carried_over.redialled(session, results, self.changes())
        return fit(session, results) if known is None else known.fit

    def read_all(self) -> None:
        """Read every note of the bench; a note that is none fails here."""
        for which in machines.MACHINES:
            self.what(which)
        step_clocks.marks(self._book.kept(step_clocks.STEP))
        _ = (
            self.lots(),
            self.rooms(),
            self.true_settings(),
            self.counts(),
            self.checks(),
            self.looks(),
        )

    def override(self, warning: PressWarning, *, reason: str = "", by: str = "") -> str:
        """Note that the press was made in spite of a warning."""
        return step_clocks.keep_override(self._book, warning, reason=reason, by=by)

    def count(
        self,
        fabric: str,
        pressed: object,
        failed: object,
        *,
        day: object = None,
        symptoms: Mapping[str, int] | str = "",
        warm_up: bool = False,
        note: str = "",
        by: str = "",
    ) -> str:
        """Note one day's garments (today's, or of ``day``): how many were pressed and failed."""
        today = self._clock().date()
        return daily_counts.keep_count(
            self._book, day or today, fabric, pressed, failed,
            symptoms=symptoms, warm_up=warm_up, note=note, today=today, by=by,
        )  # fmt: skip

    def counts(self) -> pd.DataFrame:
        """The daily counts; see ``counts.frame``."""
        return daily_counts.frame(self._book.kept(daily_counts.KIND))

    def import_counts(self, path: str | PathLike[str], *, by: str = "") -> int:
        """Take in a sheet of daily counts, all rows or none; see ``counts.import_sheet``."""
        return daily_counts.import_sheet(self._book, Path(path), self._clock().date(), by)

    def checked(self, check: str, *, day: object = None, note: str = "", by: str = "") -> str:
        """Note that an opening check was done today, or on ``day``."""
        today = self._clock().date()
        return opening_checks.keep_check_done(
            self._book, check, day=day, note=note, today=today, by=by
        )

    def checks(self) -> pd.DataFrame:
        """The opening checks with their days, the most urgent first; see ``opening.frame``."""
        today = self._clock().date()
        return opening_checks.frame(self._book.kept(), self._book.session, today)

    def changed(
        self, what: str, *, day: object = None, after_press: object = None, by: str = ""
    ) -> str:
        """Note that something changed today (or on ``day``), after the last press made (or
        ``after_press``): one of ``changes.WHAT``. Dialling in again starts there."""
        today = self._clock().date()
        return changes.keep_change(
            self._book, what, day=day, after_press=after_press, today=today, by=by
        )

    def changes(self) -> pd.DataFrame:
        """Every change noted; see ``changes.frame``."""
        return changes.frame(self._book.kept(changes.KIND))
