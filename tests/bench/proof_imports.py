"""Files from strangers: spoilt sheets, workbooks, descriptions and archives by the thousand, and
small files that could eat the machine.

    .venv/bin/python -m tests.bench.proof_imports                 # 7,000 spoilt files, all large
    .venv/bin/python -m tests.bench.proof_imports fuzz 1000       # so many of each kind
    .venv/bin/python -m tests.bench.proof_imports large           # memory and seconds of each
    .venv/bin/python -m tests.bench.proof_imports large merged    # of those named so

A file may be taken, or refused in one clear line. "raw" is anything else; it is printed.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import resource
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from itertools import chain
from pathlib import Path

from dtfexp import Logbook, Session
from dtfexp.describe.errors import DtfexpError
from tests.bench import large_files
from tests.book.conftest import shop_plan, shop_session
from tests.book.test_round_trip import as_csv, as_workbook, good_rows, spoil, spoil_bytes

PER_KIND = 1400
SLOW = 5.0
_XML_BITS = (
    b"", b"0", b"-1", b"1e999", b"NaN", b"A1", b"ZZZ99999999", b"<", b"&#0;", b"&amp;", b"s", b"e",
    b"d", b"b", b"inlineStr", b"=1+1", b"hidden", b"veryHidden", b"9" * 20, "é".encode(),
)  # fmt: skip
_TOML_BITS = (
    "", "0", "-1", "1e999", "nan", "inf", "true", '"°F"', "[]", "{}", "[[1]]", "1979-05-27", '"""',
    "9" * 5000, "0x" + "f" * 5000, '"\\u0000"', "'''", "= =", "[a.b.c]", "=" * 20, "{a={b={}}}",
)  # fmt: skip
_JSON_BITS: tuple[object, ...] = (
    None, True, -1, 0, 1.5, 2**70, 1e308, "", "x", "\x00", "\ud800", [], {}, [[]], {"a": 1},
    "2026-01-01", "9" * 400,
)  # fmt: skip


def csv_sheet(rng: random.Random, _given: Path) -> tuple[str, bytes]:
    """A sheet as text, spoilt in its cells or its bytes."""
    rows = good_rows(rng)
    for _ in range(rng.choice([0, 1, 2, 4])):
        spoil(rng, rows)
    content = as_csv(rng, rows)
    if rng.random() < 0.4 and content:
        content = spoil_bytes(rng, content)
    return "a.csv", content


def xlsx_sheet(rng: random.Random, _given: Path) -> tuple[str, bytes]:
    """A workbook, spoilt in its cells, in the XML of a part, or in its bytes."""
    rows = good_rows(rng)
    for _ in range(rng.choice([0, 1, 2])):
        spoil(rng, rows)
    content = as_workbook(rng, rows)
    what = rng.random()
    if what < 0.6:
        content = _spoil_part(rng, content)
    elif what < 0.8:
        content = spoil_bytes(rng, content)
    return "a.xlsx", content


def _spoil_part(rng: random.Random, content: bytes) -> bytes:
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        chosen = rng.choice(old.namelist())
        if rng.random() < 0.6:
            chosen = "xl/worksheets/sheet1.xml"
        for part in old.infolist():
            told = old.read(part)
            if part.filename == chosen:
                if rng.random() < 0.1:
                    continue
                told = _spoil_xml(rng, told)
            new.writestr(part, told)
    return out.getvalue()


def _spoil_xml(rng: random.Random, told: bytes) -> bytes:
    for _ in range(rng.randint(1, 4)):
        places = [match.span(1) for match in re.finditer(rb'(?:="|>)([^"<>]*)(?="|<)', told)]
        what = rng.random()
        if what < 0.7 and places:
            start, end = rng.choice(places)
            told = told[:start] + rng.choice(_XML_BITS) + told[end:]
        elif what < 0.85:
            merge = b'<mergeCells><mergeCell ref="%s"/></mergeCells></worksheet>'
            blocks = [b"A1:B2", b"B2:B3", b"A1:XFD1048576", b"x", b"A1:", b"A1:B2:C3"]
            told = told.replace(b"</worksheet>", merge % rng.choice(blocks))
        else:
            told = spoil_bytes(rng, told) or b"x"
    return told


def counts_sheet(rng: random.Random, _given: Path) -> tuple[str, bytes]:
    """Daily counts as text."""
    heads = ["day", "fabric", "pressed", "failed", "warm up", "symptoms", "note"]
    rows: list[list[object]] = [heads[: rng.randint(3, 7)]]
    for day in range(1, rng.randint(2, 6)):
        cells: list[object] = [
            f"2026-05-{day:02}",
            "cotton jersey",
            20,
            day % 3,
            "no",
            "haze: 1",
            "",
        ]
        rows.append(cells[: len(rows[0])])
    for _ in range(rng.choice([0, 1, 2])):
        spoil(rng, rows)
    content = as_csv(rng, rows)
    return "counts.csv", spoil_bytes(rng, content) if rng.random() < 0.3 and content else content


def toml_session(rng: random.Random, given: Path) -> tuple[str, bytes]:
    """A description, spoilt in its values, its lines or its bytes."""
    lines = (given / "session.toml").read_text(encoding="utf-8").splitlines()
    for _ in range(rng.choice([1, 1, 2, 4])):
        k = rng.randrange(len(lines))
        what = rng.random()
        key, equals, _value = lines[k].partition("=")
        if what < 0.6 and equals:
            lines[k] = f"{key}= {rng.choice(_TOML_BITS)}"
        elif what < 0.7:
            lines.insert(k, lines[rng.randrange(len(lines))])
        elif what < 0.8:
            del lines[k]
        elif what < 0.9:
            lines.insert(k, rng.choice(_TOML_BITS))
        else:
            lines[k] = f"{'a.' * rng.choice([1, 40, 2000])}a = 1"
        if not lines:
            lines = [""]
    content = "\n".join(lines).encode("utf-8", "surrogatepass")
    return "a.toml", spoil_bytes(rng, content) if rng.random() < 0.3 and content else content


def json_archive(rng: random.Random, given: Path) -> tuple[str, bytes]:
    """An exported logbook, spoilt in its values or its bytes."""
    content = (given / "logbook.json").read_bytes()
    if rng.random() < 0.3:
        return "a.json", spoil_bytes(rng, content)
    document = json.loads(content)
    for _ in range(rng.choice([1, 1, 2, 3])):
        _spoil_json(rng, document)
    return "a.json", json.dumps(document).encode()


def _spoil_json(rng: random.Random, document: object) -> None:
    at = document
    while True:
        keys: list[object] = list(at) if isinstance(at, dict) else list(range(len(at)))  # type: ignore[arg-type]
        if not keys:
            return
        key = rng.choice(keys)
        below = at[key]  # type: ignore[index]
        if isinstance(below, (dict, list)) and below and rng.random() < 0.9:
            at = below
            continue
        what = rng.random()
        if what < 0.7:
            at[key] = rng.choice(_JSON_BITS)  # type: ignore[index]
        elif what < 0.85 or not isinstance(at, list):
            del at[key]  # type: ignore[attr-defined]
        else:
            at.append(below)
        return


def _import(book: Logbook, path: Path) -> object:
    return book.import_sheet(path, accept=True)


def _import_counts(book: Logbook, path: Path) -> object:
    return book.bench.import_counts(path)


def _load(_book: Logbook, path: Path) -> object:
    return Session.load(path)


def _restore(_book: Logbook, path: Path) -> object:
    target = path.with_name("restored.dtfbook")
    target.unlink(missing_ok=True)
    with Logbook.restore(path, target) as book:
        return len(book.results()), len(book.history())


KINDS: dict[str, tuple[Callable[..., tuple[str, bytes]], Callable[[Logbook, Path], object]]] = {
    "sheets as CSV": (csv_sheet, _import),
    "sheets as .xlsx": (xlsx_sheet, _import),
    "daily counts": (counts_sheet, _import_counts),
    "sessions as TOML": (toml_session, _load),
    "archives": (json_archive, _restore),
}


def fuzz(folder: Path, per_kind: int, seed: int) -> dict[str, Counter[str]]:
    """Take ``per_kind`` spoilt files of every kind; counts of taken, clear, raw and slow ones."""
    with Logbook.create(folder / "given.dtfbook", shop_session()) as given:
        given.add(shop_plan(given.session))
        given.record(1, {"peel": 4}, "haze", {"press temperature": 322}, "a note", "Ana")
        given.bench.count("cotton jersey", 20, 1, day="2026-05-01")
        given.export(folder)
    found: dict[str, Counter[str]] = {}
    for kind, (make, take) in KINDS.items():
        rng = random.Random(f"{seed} {kind}")
        tally = found[kind] = Counter()
        path = folder / "fuzzed.dtfbook"
        path.unlink(missing_ok=True)
        with Logbook.create(path, shop_session()) as book:
            book.add(shop_plan(book.session))
            for turn in range(per_kind):
                name, content = make(rng, folder)
                (folder / name).write_bytes(content)
                tally[_taken(take, book, folder / name, f"{kind}, turn {turn}")] += 1
    return found


def _taken(take: Callable[..., object], book: Logbook, path: Path, place: str) -> str:
    started = time.process_time()
    try:
        take(book, path)
        what = "taken"
    except DtfexpError as error:
        what = "clear"
        if "\n" in str(error) or len(str(error)) > 1200:
            print(f"raw: {place}: not one line: {str(error)[:300]!r}")
            what = "raw"
    except Exception as error:
        print(f"raw: {place}: {type(error).__name__}: {str(error)[:300]}")
        what = "raw"
    if time.process_time() - started > SLOW:
        print(f"slow: {place}: {time.process_time() - started:.1f} s")
        what = "slow"
    return what


def large(folder: Path, only: str = "") -> None:
    """Import every large file in a child of its own: seconds, memory above an idle child's, and
    the line that refuses it."""
    plain = ("(one row, for comparison)", "a.xlsx", large_files.plain_workbook())
    for name, file, content in chain([plain], large_files.files(only)):
        (folder / file).write_bytes(content)
        told = folder / "told"
        child = os.fork()
        if child == 0:
            told.write_text(_in_child(folder, file), encoding="utf-8")
            os._exit(0)
        os.waitpid(child, 0)
        print(f"{name} ({len(content) / 1000:,.0f} kB): {told.read_text(encoding='utf-8')}")


def _in_child(folder: Path, file: str) -> str:

    (folder / "large.dtfbook").unlink(missing_ok=True)
    resource.setrlimit(resource.RLIMIT_AS, (6 * 2**30, 6 * 2**30))
    with Logbook.create(folder / "large.dtfbook", shop_session()) as book:
        book.add(shop_plan(book.session))
        before, started = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
        try:
            said = f"taken, {book.import_sheet(folder / file).rows} rows"
        except DtfexpError as error:
            said = f"refused: {error}"
        except MemoryError:
            said = "RAW: more than 6 GB"
        except Exception as error:
            said = f"RAW: {type(error).__name__}: {error}"
        seconds = time.process_time() - started
        more = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    return f"{seconds:.1f} s, {more / 1024:,.0f} MB more; {said[:240]}"


def main() -> None:
    what = sys.argv[1] if len(sys.argv) > 1 else "all"
    more = sys.argv[2] if len(sys.argv) > 2 else ""
    per_kind = int(more) if more.isdigit() else PER_KIND
    base = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(dir=base) as name:
        folder = Path(name)
        if what in ("all", "fuzz"):
            total: Counter[str] = Counter()
            for kind, tally in fuzz(folder, per_kind, 20261128).items():
                total.update(tally)
                print(f"{kind}: {dict(sorted(tally.items()))}")
            print(f"in all {sum(total.values())}: {dict(sorted(total.items()))}")
        if what in ("all", "large"):
            large(folder, "" if more.isdigit() else more)


if __name__ == "__main__":
    main()
