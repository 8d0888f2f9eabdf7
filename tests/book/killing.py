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
from dtfexp.book.coupons import readings, regrading
from dtfexp.book.store import photos, plausible
from tests.book.conftest import shop_plan
from tests.book.test_coupons import measures, picture


@dataclass
class Tally:
    """What was seen: entries and notes acknowledged, and kills that fell into a write."""

    acknowledged: int = 0
    cut_off: int = 0
    unacknowledged: int = 0


def write_without_end(path: Path, turn: int) -> Callable[[Callable[[str], None]], None]:
    """Work for a child: every kind of entry in turn, another one first each turn; says each once it
    is saved."""

    def write(say: Callable[[str], None]) -> None:
        sheet = path.with_name(f"{turn}.csv")
        with Logbook.open(path) as book:
            planned = len(book.runs())
            for k in range(turn, 100_000):
                press, grade = 1 + k % 8, 1 + k % 5
                filler = f"{turn}-{k} " + "x" * (k * 37 % 900)
                kind = k % len(KINDS)
                if kind == 1:
                    say(book.keep("any", {"first": k, "filler": filler, "last": k}))
                elif kind == 2:
                    say(photos.keep_photo(book, press, b"\xff\xd8\xff" + filler.encode()))
                elif kind == 3:
                    say(book.exclude(press, filler))
                elif kind == 4:
                    say(book.redo(press, filler))
                elif kind == 5:
                    say(book.undo(1))
                elif kind == 6:
                    sheet.write_text(f"press,peel,wash,note\n{press},{grade},{grade},{turn}-{k}\n")
                    book.import_sheet(sheet)
                    say(f"sheet {turn}-{k}")
                elif kind == 7 and planned < 200:
                    book.add(shop_plan(book.session, 2, first=planned + 1))
                    planned += 2
                    say(f"press {planned}")
                elif kind == 8:
                    picture_ = picture(k % 200) + filler.encode()
                    say(readings.keep_reading(book, measures(book, press, k % 40), picture_).id)
                elif kind == 9 and len(graded := book.results().dropna(subset=["peel"])):
                    say(regrading.judge_again(book, int(graded["press"].iloc[0]), "peel", grade))
                elif kind == 10:
                    say(book.bench.changed("film", after_press=press))
                elif kind == 11:
                    say(book.bench.count("cotton jersey", 100, k % 9, note=filler[:200]))
                elif kind == 12:
                    say(book.bench.look(1, ("grainy", "good")[k % 2]))
                elif kind == 13:
                    swapped = {"press temperature": 231.0}  # for 321
                    say(book.record(press, actual=swapped, note=filler, accept=True))
                else:
                    grades = {"peel": grade, "wash": grade}
                    say(book.record(press, grades, note=filler))

    return write


KINDS = (
    "record", "note", "photo", "exclude", "redo", "undo", "sheet", "plan", "coupon reading",
    "judged again", "change", "daily count", "look of the cure", "asked reading",
)  # fmt: skip


def kill_writers(
    path: Path, kills: int, seed: int, child: Callable[..., Any], longest: float = 0.06
) -> Tally:
    """Kill ``kills`` writers with SIGKILL, 0 to ``longest`` seconds after their first entry.

    Raises AssertionError when anything acknowledged is gone, half of it is found, or the file does
    not open or is not sound.
    """
    rng = random.Random(seed)
    acknowledged: set[str] = set()
    tally = Tally()
    for turn in range(kills):
        writer = child(write_without_end(path, turn))
        first = writer.line()
        assert not first.startswith("raised"), first
        time.sleep(rng.uniform(0, longest))
        os.kill(writer.pid, signal.SIGKILL)
        acknowledged.update([first, *writer.rest()])
        tally.cut_off += path.with_name(path.name + "-journal").exists()
        with Logbook.open(path) as book:
            history, notes, presses = book.history(), book.kept(), book.runs()["press"]
            assert all(photo.read() for photo in photos.photos(book))
        sheets = {f"sheet {note}" for note in history.loc[history["source"] == "sheet", "note"]}
        plans = {f"press {press}" for press in presses if press % 2 == 0 and press > 8}
        found = {*history["id"], *(note.id for note in notes)}
        lost = acknowledged - found - sheets - plans
        assert not lost, f"turn {turn}: {len(lost)} acknowledged are gone"
        assert len(presses) % 2 == 0, f"turn {turn}: half a plan"
        told = acknowledged | {*history.loc[history["source"] == "sheet", "id"]}
        # A sheet is acknowledged by its own name, the note of its import by nothing.
        told |= {note.id for note in notes if note.kind in ("import", plausible.ASKED)}
        # The picture of a reading is acknowledged by the reading.
        told |= {note.id for note in notes if note.id.endswith(" photo")}
        assert len(found - told) <= turn + 1, f"turn {turn}: more than were written"
        assert (history["peel"].fillna(0) == history["wash"].fillna(0)).all(), "half an entry"
        anys = [note.said for note in notes if note.kind == "any"]
        assert all(said["first"] == said["last"] for said in anys), "half a note"
        tally.unacknowledged = len(found - told)
    assert Logbook.check(path) == []
    tally.acknowledged = len(acknowledged)
    return tally


def _writer(path: Path, press: int, writes: int, child: Callable[..., Any]) -> Any:
    """A program that grades one press ``writes`` times."""

    def write(say: Callable[[str], None]) -> None:
        with Logbook.open(path, by=f"program {press}") as mine:
            for k in range(writes):
                mine.record(press, {"peel": 1 + k % 5}, id=f"{press}-{k}")
        say("done")

    return child(write)


def crowd(path: Path, writes: int, child: Callable[..., Any]) -> int:
    """Two programs write ``writes`` entries each at once; returns how often they took turns.

    Raises AssertionError when an entry is lost or either of them had an error.
    """

    programs = [_writer(path, press, writes, child) for press in (1, 2)]
    assert [program.rest() for program in programs] == [["done"], ["done"]]
    with Logbook.open(path) as book:
        history = book.history()
    assert len(history) == 2 * writes
    assert set(history["id"]) == {f"{p}-{k}" for p in (1, 2) for k in range(writes)}
    assert history["by"].value_counts().to_dict() == {"program 1": writes, "program 2": writes}
    return int((history["by"] != history["by"].shift()).sum())


def crowd_and_copies(path: Path, writes: int, child: Callable[..., Any]) -> tuple[int, int]:
    """Four programs write ``writes`` entries each while copies are made without a pause; returns
    the copies made and those that fell between two writes.

    Raises AssertionError when an entry is lost, a program had an error, or a copy is not sound or
    not the book as it once was.
    """

    programs = [_writer(path, press, writes, child) for press in (1, 2, 3, 4)]
    lengths = []
    with Logbook.open(path) as book:
        while not lengths or lengths[-1] < 4 * writes:
            copy = book.backup(path.with_name(f"copy-{len(lengths)}.dtfbook"))
            assert Logbook.check(copy) == []
            with Logbook.open(copy) as other:
                history = other.history()
            assert history["entry"].tolist() == list(range(1, len(history) + 1))
            for press in (1, 2, 3, 4):
                mine = history.loc[history["press"] == press, "id"].tolist()
                assert mine == [f"{press}-{k}" for k in range(len(mine))]
            lengths.append(len(history))
            copy.unlink()
        assert len(book.history()) == 4 * writes
    assert [program.rest() for program in programs] == [["done"]] * 4
    assert lengths == sorted(lengths)
    return len(lengths), sum(0 < length < 4 * writes for length in lengths)
