"""Writers killed at random moments or crowding one file, and what must be found afterwards."""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dtfexp import Logbook


@dataclass
class Tally:
    """What was seen: entries and notes acknowledged, and kills that fell into a write."""

    acknowledged: int = 0
    cut_off: int = 0
    unacknowledged: int = 0


def write_without_end(path: Path, turn: int) -> Callable[[Callable[[str], None]], None]:
    """Work for a child: entries and, every fourth, a note; says each id once it is saved."""

    def write(say: Callable[[str], None]) -> None:
        with Logbook.open(path) as book:
            for k in range(100_000):
                filler = f"{turn}-{k} " + "x" * (k * 37 % 900)
                if k % 4 == 3:
                    say(book.keep("any", {"first": k, "filler": filler, "last": k}))
                else:
                    grades = {"peel": 1 + k % 5, "wash": 1 + k % 5}
                    say(book.record(1 + k % 8, grades, note=filler))

    return write


def kill_writers(
    path: Path, kills: int, seed: int, child: Callable[..., Any], longest: float = 0.06
) -> Tally:
    """Kill ``kills`` writers with SIGKILL, 0 to ``longest`` seconds after their first entry.

    Raises AssertionError when an acknowledged entry or note is gone, half of one is found, or the
    file does not open.
    """
    rng = random.Random(seed)
    acknowledged: set[str] = set()
    tally = Tally()
    for turn in range(kills):
        writer = child(write_without_end(path, turn))
        first = writer.line()
        assert len(first) == 32, first
        time.sleep(rng.uniform(0, longest))
        os.kill(writer.pid, signal.SIGKILL)
        acknowledged.update([first, *writer.rest()])
        tally.cut_off += path.with_name(path.name + "-journal").exists()
        with Logbook.open(path) as book:
            history, notes = book.history(), book.kept()
        found = {*history["id"], *(note.id for note in notes)}
        lost = acknowledged - found
        assert not lost, f"turn {turn}: {len(lost)} acknowledged entries are gone"
        assert len(found) <= len(acknowledged) + turn + 1, f"turn {turn}: more than were written"
        assert (history["peel"] == history["wash"]).all(), "half an entry"
        assert all(note.said["first"] == note.said["last"] for note in notes), "half a note"
        tally.unacknowledged = len(found) - len(acknowledged)
    tally.acknowledged = len(acknowledged)
    return tally


def crowd(path: Path, writes: int, child: Callable[..., Any]) -> int:
    """Two programs write ``writes`` entries each at once; returns how often they took turns.

    Raises AssertionError when an entry is lost or either of them had an error.
    """

    def writer(press: int) -> Any:
        def write(say: Callable[[str], None]) -> None:
            with Logbook.open(path, by=f"program {press}") as mine:
                for k in range(writes):
                    mine.record(press, {"peel": 1 + k % 5}, id=f"{press}-{k}")
            say("done")

        return child(write)

    programs = [writer(1), writer(2)]
    assert [program.rest() for program in programs] == [["done"], ["done"]]
    with Logbook.open(path) as book:
        history = book.history()
    assert len(history) == 2 * writes
    assert set(history["id"]) == {f"{p}-{k}" for p in (1, 2) for k in range(writes)}
    assert history["by"].value_counts().to_dict() == {"program 1": writes, "program 2": writes}
    return int((history["by"] != history["by"].shift()).sum())
