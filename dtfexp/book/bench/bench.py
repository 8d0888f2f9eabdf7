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
    from dtfexp.dialin.encode.calibrations import Calibrations
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.following.next_presses import NextPlan
    from dtfexp.dialin.recalibrate.redial import Redial


class Bench:
    """The bench of a logbook, from ``book.bench``.

    Temperatures are given and returned in the session's unit; text such as "75 F" names its own.
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
    unchanged = changes.take_back_change
    changes = changes.frame

    @property
    def today(self) -> date:
        """The day by the book's clock."""
        return self.now().date()

    def what(self, which: str) -> machines.Machine:
        """Return what is known of the session's ``"oven"`` or ``"press"``, or a named machine."""
        return machines.machine(self.book.kept(machines.KIND), self.book.session, which)

    def rooms_pressed_in(self) -> pd.DataFrame:
        """Return the rows of ``rooms`` during which test presses were made."""
        entries = self.book.history()
        # When each press was first recorded: wash grades come days later.
        last = max(entries.groupby("press")["time"].min()) if len(entries) else None
        return room_climate.while_pressing(self.rooms(), last)

    def room_strays(self) -> list[str]:
        """Return a sentence for each reading of today's room outside the tested conditions."""
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
        """Note the look of an oven load's powder side; return the note's id.

        ``"grainy"`` (or dull), ``"good"`` (melted, glossy) or ``"browned"`` (or blistered).
        ``cured_on``: seconds for which the load goes back into the oven now; it then counts as
        cured again. ``photo``: a picture, or its path, stored with the load's first press. A later
        look supersedes this one; the same ``id`` twice makes one note.
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
        """Return what holds of every load looked at; see ``cure_looks.frame``."""
        return cure_looks.frame(cure_looks.looks(self.book.kept(cure_looks.KIND)))

    def maps(self) -> list[PlatenMap]:
        """Every map, in order; ``machine_readings.frame`` makes a table of them."""
        return machine_readings.maps(self.book.kept(machine_readings.MAP))

    def true_settings(self) -> Calibrations:
        """Return what the machines really reach, from all readings; empty when nothing was read."""
        notes = [*self.book.kept(machine_readings.MAP), *self.book.kept(machine_readings.CHECK)]
        session, results = self.book.session, self.book.results()
        found = machine_readings.calibrations_of(session, notes, results)
        return machine_readings.as_hot_as_read(found, session, notes, results, self.book.history)

    def measured_session(self) -> Session:
        """Return the session with its machines as measured; its ``refusal`` is the heat gate."""
        return self.true_settings().session(self.book.session)

    def refused(self, gate: Session | None = None) -> dict[int, str]:
        """Return the planned presses that must not be made as planned, with the reason.

        Such as: planned before the press was measured. ``gate``: the ``measured_session``, if
        known.
        """
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
        """Return session and results for the fit: measured spreads, true settings."""
        true = self.true_settings()
        session = true.session(self.book.session)
        return session, true.results(self.book.results())

    def carried(self, fabric: str | None = None) -> Redial | None:
        """Return the session dialled in again since the last change noted."""
        return changes.redialled(*self.for_fit(), self.changes(), fabric)

    def next_presses(
        self, presses: int, *, fabrics: Sequence[str] | None = None, seed: int = 0
    ) -> tuple[NextPlan, str]:
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
        """Read every note of the bench; an invalid note raises here."""
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
