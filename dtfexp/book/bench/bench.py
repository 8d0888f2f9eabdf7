"""The bench around a logbook: machines, lots, room, steps, daily counts and opening checks.

An index to their modules.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from dtfexp.book.bench import (
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
from dtfexp.book.store import entry_fields, photos

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from os import PathLike

    import pandas as pd

    from dtfexp.book.store.journal import BenchBook
    from dtfexp.describe.session import Session
    from dtfexp.dialin.design.plan import Plan
    from dtfexp.dialin.encode.calibrations import Calibrations
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.recalibrate.redial import Redial


class Bench:
    """What a logbook knows of its bench, from ``book.bench``.

    Temperatures are told and read in the session's unit; text such as "75 F" says its own.
    """

    def __init__(self, book: BenchBook, clock: Callable[[], datetime]) -> None:
        self.book = book
        self.now = clock

    machine = machines.keep_machine
    lot = material_lots.keep_lot
    lots = material_lots.frame
    room = room_climate.keep_room
    rooms = room_climate.frame
    mark = step_clocks.keep_mark
    override = step_clocks.keep_override
    map = machine_readings.keep_map
    check = machine_readings.keep_check
    count = daily_counts.keep_count
    counts = daily_counts.frame
    import_counts = daily_counts.import_sheet
    checked = opening_checks.keep_check_done
    checks = opening_checks.frame
    changed = changes.keep_change
    changes = changes.frame

    @property
    def today(self) -> date:
        """The day by the book's clock."""
        return self.now().date()

    def what(self, which: str) -> machines.Machine:
        """What is known of the session's ``"oven"`` or ``"press"``, or of another by its name."""
        return machines.machine(self.book.kept(machines.KIND), self.book.session, which)

    def rooms_pressed_in(self) -> pd.DataFrame:
        """The rows of ``rooms`` that the test presses were made in, as far as the clock tells."""
        entries = self.book.history()
        # When each press was first recorded: wash grades come days later.
        last = max(entries.groupby("press")["time"].min()) if len(entries) else None
        return room_climate.while_pressing(self.rooms(), last)

    def room_strays(self) -> list[str]:
        """What of today's room lies outside what the test presses met, a sentence each."""
        unit = self.book.session.temperature_unit
        return room_climate.outside_of_tested(self.rooms(), self.rooms_pressed_in(), unit)

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
        if id is not None and id in {one.id for one in self.book.kept(cure_looks.KIND)}:
            return id
        runs, key = self.book.runs(), entry_fields.entry_id(id)
        said = cure_looks.said(load, look, runs["oven_load"].tolist(), cured_on=cured_on, note=note)
        if photo is not None:
            first = int(runs.loc[runs["oven_load"] == said["load"], "press"].iloc[0])
            photos.keep_photo(self.book, first, photos.content(photo), by=by, id=f"{key} photo")
        self.book.keep(cure_looks.KIND, said, by=by, id=key)
        if "cured_on" in said:
            done = self.now() + timedelta(seconds=said["cured_on"])
            self.mark("cured", load=said["load"], at=done, by=by)
        return key

    def looks(self) -> pd.DataFrame:
        """What holds of every load looked at; see ``looks.frame``."""
        return cure_looks.frame(cure_looks.looks(self.book.kept(cure_looks.KIND)))

    def maps(self) -> list[PlatenMap]:
        """Every map, in order; ``machine_readings.frame`` makes a table of them."""
        return machine_readings.maps(self.book.kept(machine_readings.MAP))

    def true_settings(self) -> Calibrations:
        """What the machines really reach, from all readings; empty when nothing was read."""
        notes = [*self.book.kept(machine_readings.MAP), *self.book.kept(machine_readings.CHECK)]
        return machine_readings.calibrations_of(self.book.session, notes, self.book.results())

    def measured_session(self) -> Session:
        """The session with its machines as they were measured; its ``refusal`` is the heat gate
        of this book."""
        return self.true_settings().session(self.book.session)

    def refused(self, gate: Session | None = None) -> dict[int, str]:
        """The planned presses that are not made yet and must not be made as planned, each with
        the reason: planned before the press was measured, say. ``gate``: the
        ``measured_session``, where it is known already."""
        gate = self.measured_session() if gate is None else gate
        waiting = self.book.waiting()
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
        session = true.session(self.book.session)
        return session, true.results(self.book.results())

    def carried(self, fabric: str | None = None) -> Redial | None:
        """The session dialled in again since the last change noted: ``changes.redialled``."""
        return changes.redialled(*self.for_fit(), self.changes(), fabric)

    def next_presses(
        self, presses: int, *, fabrics: Sequence[str] | None = None, seed: int = 0
    ) -> tuple[Plan, str]:
        """Return the most informative presses, and a sentence on a noted change ("" without)."""
        from dtfexp.dialin.following.next_presses import next_presses

        session, results = self.for_fit()
        known = changes.redialled(session, results, self.changes(), fabrics[0] if fabrics else None)
        if known is None:
            return next_presses(session, results, presses, fabrics=fabrics, seed=seed), ""
        wanted = fabrics or session.fabrics
        return known.next_presses(presses, fabrics=wanted, seed=seed), known.sentence

    def fitted(self) -> Fit:
        """Return the fit of all results, those from before a noted change carried over."""
        from dtfexp.dialin.fit import fit

        session, results = self.for_fit()
        known = changes.redialled(session, results, self.changes())
        return fit(session, results) if known is None else known.fit

    def read_all(self) -> None:
        """Read every note of the bench; a note that is none fails here."""
        for which in machines.MACHINES:
            self.what(which)
        step_clocks.marks(self.book.kept(step_clocks.STEP))
        _ = (
            self.lots(),
            self.rooms(),
            self.true_settings(),
            self.counts(),
            self.checks(),
            self.looks(),
        )
