"""The long proofs of the logbook: killed writers, spoilt files, flipped bits, many entries.

    .venv/bin/python -m tests.bench.proof_store          # all of it, an hour or more
    .venv/bin/python -m tests.bench.proof_store kills    # or writers, crowds, cuts, restores,
                                                         # sheets, archives, flips, growth

Prints what was seen; ends with an error at the first promise that is not kept.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from dtfexp import Factor, Logbook, LogbookError, Outcome, Session, plan
from dtfexp.book.store import entries, journal, photos, schema
from tests.book.conftest import Child, of_layout, shop_plan, shop_session
from tests.book.flipping import flip_bits, small_book
from tests.book.killing import crowd, crowd_and_copies, kill_writers
from tests.book.test_archive import restore_odd_kinds
from tests.book.test_round_trip import take_variants

KILLS = 500
WRITES = 1000
CUTS = 100
CROWD = 250
PHOTOS = 12
FLIPS = 10_000
VARIANTS = 2500
SIZES = (2500, 5000, 10_000, 20_000)
REPEATS = 7


def kills(folder: Path) -> None:
    path = folder / "kills.dtfbook"
    with Logbook.create(path, shop_session()) as book:
        book.add(shop_plan(book.session))
    started = time.perf_counter()
    tally = kill_writers(path, KILLS, 20260601, Child, longest=0.3)
    print(
        f"kills: {KILLS} writers killed; {tally.acknowledged} entries and notes acknowledged, 0 "
        f"lost; {tally.cut_off} kills left a journal (fell into a write); "
        f"{tally.unacknowledged} saved and not yet said; {time.perf_counter() - started:.0f} s"
    )
    with Logbook.open(path) as book:
        found = Counter(book.history()["kind"]) + Counter(note.kind for note in book.kept())
    print("kills: found afterwards", ", ".join(f"{n} {kind}" for kind, n in found.most_common()))


def writers(folder: Path) -> None:
    path = folder / "writers.dtfbook"
    with Logbook.create(path, shop_session()) as book:
        book.add(shop_plan(book.session))
    started = time.perf_counter()
    turns = crowd(path, WRITES, Child)
    print(
        f"writers: two programs at once, {WRITES} entries each on this disk: {2 * WRITES} found, "
        f"{turns} turns taken; {time.perf_counter() - started:.0f} s"
    )


def crowds(folder: Path) -> None:
    path = folder / "crowd.dtfbook"
    with Logbook.create(path, shop_session()) as book:
        book.add(shop_plan(book.session))
    started = time.perf_counter()
    made, between = crowd_and_copies(path, CROWD, Child)
    print(
        f"crowds: four programs, {CROWD} entries each, and copies without a pause: {4 * CROWD} "
        f"found, {made} copies sound, {between} of them made between two writes; "
        f"{time.perf_counter() - started:.0f} s"
    )


def cuts(folder: Path) -> None:
    """Kill what makes files: the step to a newer layout, an export, a copy."""
    rng = random.Random(20260604)
    seen: Counter[str] = Counter()
    path, old, out = folder / "full.dtfbook", folder / "old.dtfbook", folder / "out"
    want = _full_book(path)
    of_layout(old, path, 1)
    for turn in range(CUTS):
        stepped = folder / f"step-{turn}.dtfbook"
        shutil.copyfile(old, stepped)
        _kill(rng, 0.4, lambda stepped=stepped: Logbook.open(stepped).close())
        with closing(sqlite3.connect(stepped)) as raw:
            seen[f"step: found at layout {schema.version(raw)}"] += 1
        with Logbook.open(stepped) as book:
            pd.testing.assert_frame_equal(book.history(), want)
            book.keep("any", {"a": 1})
    with Logbook.open(path) as book:
        book.export(out)
    for _ in range(CUTS):
        _kill(rng, 1.0, lambda: Logbook.open(path).export(out))
        json.loads((out / "logbook.json").read_bytes())
        _promise((out / "results.xlsx").read_bytes()[-22:-18] == b"PK\x05\x06", "half a workbook")
    for turn in range(CUTS):
        copy = folder / f"copy-{turn}.dtfbook"
        _kill(rng, 0.4, lambda copy=copy: Logbook.open(path).backup(copy))
        seen[f"copy: {_whole_or_none(copy, want)}"] += 1
    print(f"cuts: {CUTS} each of layout step, export and copy killed; {dict(seen)}")


def restores(folder: Path) -> None:
    """Kill the making of a book from an archive with photos; then make it again."""
    rng = random.Random(20260605)
    seen: Counter[str] = Counter()
    path, source = folder / "full.dtfbook", folder / "out" / "logbook.json"
    want = _full_book(path)
    with Logbook.open(path) as book:
        book.export(source.parent)
    for turn in range(2 * CUTS):
        target = folder / f"made-{turn}.dtfbook"
        _kill(rng, 1.0, lambda target=target: Logbook.restore(source, target).close())
        found = _whole_or_none(target, want)
        seen[found] += 1
        if found == "none":
            Logbook.restore(source, target).close()
            _promise(_whole_or_none(target, want) == "the whole book", "restoring again")
    print(f"restores: {2 * CUTS} killed; {dict(seen)}; each made again after it was cut off")


def _full_book(path: Path) -> pd.DataFrame:
    with Logbook.create(path, shop_session()) as book:
        book.add(shop_plan(book.session))
        for k in range(200):
            book.record(1 + k % 8, {"peel": 1 + k % 5}, note="x" * 500)
        for k in range(PHOTOS):
            photos.keep_photo(book, 1 + k % 8, b"\xff\xd8\xff" + bytes([k]) * 40_000)
        return book.history()


def _whole_or_none(path: Path, want: pd.DataFrame) -> str:
    if not path.exists():
        return "none"
    _promise(Logbook.check(path) == [], f"{path}: {Logbook.check(path)}")
    with Logbook.open(path) as book:
        pd.testing.assert_frame_equal(book.history(), want)
        _promise(len(photos.photos(book)) == PHOTOS, "a photo is lost")
    return "the whole book"


def flips(folder: Path) -> None:
    """Every bit of a small book, and bits anywhere in one as shops have it."""
    place = Path("/dev/shm") if Path("/dev/shm").is_dir() else folder
    with tempfile.TemporaryDirectory(dir=place) as memory:
        path = Path(memory) / "small.dtfbook"
        session = Session("s", [Factor("dwell", 5, 20, "s")], [Outcome("peel")], ["jersey"])
        with Logbook.create(path, session) as book:
            book.add(plan(session, 4))
            for press in (1, 2, 3, 4, 4):
                book.record(press, {"peel": 1 + press % 5}, {"lift"}, {"dwell": 9}, f"n {press}")
            book.keep("room", {"humidity": 50})
        usual = path.read_bytes()
        full = small_book(path, 512)
        rng = random.Random(20260606)
        parts = [
            *(
                (f"bit {k} of every byte, pages of 512", full, range(k, 8 * len(full), 8))
                for k in range(8)
            ),
            ("bits anywhere, pages of 4096", usual, rng.sample(range(8 * len(usual)), FLIPS)),
        ]
        whole: Counter[str] = Counter()
        for name, content, bits in parts:
            started = time.perf_counter()
            seen = flip_bits(content, bits, Path(memory) / "flipped.dtfbook", 97)
            whole += seen
            print(
                f"flips: {name}: {len(bits)} in {len(content)} bytes, none silent, none raw; "
                f"{dict(sorted(seen.items()))}; {time.perf_counter() - started:.0f} s",
                flush=True,
            )
        print(f"flips: in all {whole['told'] + whole['harmless']}; {dict(sorted(whole.items()))}")


def _kill(rng: random.Random, longest: float, work: Callable[[], object]) -> None:
    """Do ``work`` in a child and kill it after up to ``longest`` seconds."""

    def begin(say: Callable[[str], None]) -> None:
        say("go")
        work()

    child = Child(begin)
    child.line()
    time.sleep(rng.uniform(0, longest))
    os.kill(child.pid, signal.SIGKILL)
    child.rest()


def sheets(folder: Path) -> None:
    path = folder / "sheets.dtfbook"
    with Logbook.create(path, shop_session()) as book:
        book.add(shop_plan(book.session, 4))
        tally = take_variants(book, folder, VARIANTS, 20260602)
    print(f"sheets: {VARIANTS} spoilt sheets; {tally}; no traceback, no half sheet")


def archives(folder: Path) -> None:
    with Logbook.create(folder / "whole.dtfbook", shop_session()) as book:
        book.add(shop_plan(book.session))
        for press in range(1, 9):
            book.record(press, {"peel": 1 + press % 5}, note=f"note {press}", by="Ana")
        book.bench.room(temperature=75, humidity=50)
        book.bench.map("press temperature", 320, range(306, 315))
        book.export(folder / "out")
    content = (folder / "out" / "logbook.json").read_bytes()
    refused, made = restore_odd_kinds(folder / "out" / "logbook.json", folder / "odd.dtfbook", 1)
    print(f"archives: {refused + made} values of a wrong kind: {refused} refused, {made} made")
    rng = random.Random(20260603)
    seen: Counter[str] = Counter()
    source, target = folder / "spoilt.json", folder / "made" / "b.dtfbook"
    target.parent.mkdir()
    for turn in range(VARIANTS):
        source.write_bytes(_spoilt(rng, content))
        try:
            with Logbook.restore(source, target) as book:
                book.results(), book.history(), book.bench.for_fit(), book.warnings(1)
            seen["made"] += 1
            target.unlink()
        except LogbookError as error:
            seen["refused"] += 1
            _promise("\n" not in str(error), f"turn {turn}: {error}")
        _promise(not list(target.parent.iterdir()), f"turn {turn}: something was left")
    print(f"archives: {VARIANTS} spoilt archives; {dict(seen)}; no traceback, nothing half made")


def _spoilt(rng: random.Random, content: bytes) -> bytes:
    """The archive with a byte or two changed, or with one value swapped for another's."""
    if rng.random() < 0.5:
        spoilt = bytearray(content)
        for _ in range(rng.randint(1, 3)):
            where = rng.randrange(len(spoilt))
            if rng.random() < 0.8:
                spoilt[where] = rng.choice(b'0123456789"{}[],:.aeN\xff\n')
            else:
                del spoilt[where : where + rng.randint(1, 30)]
        return bytes(spoilt)
    document = json.loads(content)
    odd = [None, -1, 0, 3, 1e300, 2**70, "", "x", "\x00", "2026", True, [], {}, [[]], {"a": 1}]
    for _ in range(rng.randint(1, 2)):
        table = rng.choice(["plans", "presses", "entries", "journal"])
        row = rng.choice(document[table])
        column = rng.choice(list(row))
        inner = row[column]
        if isinstance(inner, dict) and inner and rng.random() < 0.8:
            inner[rng.choice(list(inner))] = rng.choice(odd)
        else:
            row[column] = rng.choice(odd)
    return json.dumps(document).encode("utf-8", "surrogatepass")


def growth(folder: Path) -> None:
    """Opening and reading at growing sizes: the median of some repeats, and the ratios."""
    rows = []
    for size in SIZES:
        path = folder / f"{size}.dtfbook"
        _fill(path, size)
        opened, read, noted = [], [], []
        for _ in range(REPEATS):
            start = time.perf_counter()
            book = Logbook.open(path)
            opened.append(time.perf_counter() - start)
            start = time.perf_counter()
            results = book.results()
            read.append(time.perf_counter() - start)
            start = time.perf_counter()
            book.kept()
            noted.append(time.perf_counter() - start)
            _promise(results["note"].ne("").all(), "a press without its note")
            book.close()
        rows.append([size, *(1000 * float(np.median(times)) for times in (opened, read, noted))])
    table = pd.DataFrame(rows, columns=["entries", "open ms", "results ms", "kept ms"])
    print("growth (half as many notes as entries; median of", REPEATS, "):")
    print(table.round(1).to_string(index=False))
    last, before = table.iloc[-1], table.iloc[-2]
    for column in ("open ms", "results ms", "kept ms"):
        print(f"  twice the entries: {column[:-3]} takes {last[column] / before[column]:.2f} times")


def _fill(path: Path, count: int) -> None:
    at = datetime(2026, 5, 1, tzinfo=UTC)
    with Logbook.create(path, shop_session()) as book:
        book.add(shop_plan(book.session, 200))
        with book._store.writing() as connection:
            for k in range(count):
                said = {"grade/peel": float(1 + k % 5), "note": f"entry {k}"}
                one = entries.Entry(str(k), 1 + k % 200, "record", said, "bench", at, "Ana")
                entries.append(connection, one)
                if k % 2:
                    note = journal.Note(str(k), "room", {"humidity": 50.0}, at, "Ana")
                    journal.append(connection, note)


def _promise(kept: bool, what: str) -> None:
    if not kept:
        raise SystemExit(f"NOT KEPT: {what}")


PROOFS = {
    "kills": kills,
    "writers": writers,
    "crowds": crowds,
    "cuts": cuts,
    "restores": restores,
    "sheets": sheets,
    "archives": archives,
    "flips": flips,
    "growth": growth,
}


def main() -> None:
    for name in sys.argv[1:] or PROOFS:
        with tempfile.TemporaryDirectory() as place:
            PROOFS[name](Path(place))


if __name__ == "__main__":
    main()
