"""A small invented shop in °F, its plan, and a way to run something in a child process."""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest

from dtfexp import Factor, Logbook, Outcome, ResultsError, Session
from dtfexp.book.store import chain, schema, store
from dtfexp.dialin.design.plan import Plan


def shop_session() -> Session:
    return Session(
        "autumn shirts",
        [
            Factor("cure time", 40, 120, "s", step=5, stage="cure", spread=3),
            Factor("press temperature", 300, 340, "°F", step=5, spread=4),
            Factor("peel wait", levels=("hot", "warm", "cold"), ordered=True),
        ],
        [
            Outcome("peel"),
            Outcome("wash", step=0.5, washes=5),
            Outcome("colour change", worst=12, best=0, accept=2, kind="measured", unit="ΔE"),
            Outcome("hand", kind="passfail"),
        ],
        ["cotton jersey", "nylon shell"],
    )


def shop_plan(session: Session, presses: int = 8, first: int = 1) -> Plan:
    numbers = range(first, first + presses)
    runs = pd.DataFrame(
        {
            "press": list(numbers),
            "fabric": [session.fabrics[k % 2].name for k in range(presses)],
            "oven_load": [first + k // 4 for k in range(presses)],
            "press_round": [first + k // 2 for k in range(presses)],
            "cure time": [60.0 + 5 * (k % 3) for k in range(presses)],
            "press temperature": [320.0 if k % 2 else 325.0 for k in range(presses)],
            "peel wait": [("hot", "warm", "cold")[k % 3] for k in range(presses)],
        }
    )
    return Plan(session, runs, "fraction", 7, "A first look.", ("Two notes,", "kept."))


@pytest.fixture
def session() -> Session:
    return shop_session()


@pytest.fixture
def plan_of() -> Callable[..., Plan]:
    return shop_plan


@pytest.fixture
def new_book(tmp_path: Path) -> Iterator[Callable[..., Logbook]]:
    """Makes logbooks with a plan in them; each is closed at the end."""
    made: list[Logbook] = []

    def make(presses: int = 8, by: str = "Ana", name: str = "") -> Logbook:
        path = tmp_path / (name or f"shop-{len(made)}.dtfbook")
        book = Logbook.create(path, shop_session(), by=by)
        made.append(book)
        if presses:
            book.add(shop_plan(book.session, presses))
        return book

    yield make
    for book in made:
        book.close()


@pytest.fixture
def book(new_book: Callable[..., Logbook]) -> Logbook:
    return new_book()


@pytest.fixture(scope="module")
def blank_book(tmp_path_factory):
    """A function that gives a fresh book with a plan, copied from one made once."""
    folder = tmp_path_factory.mktemp("blank")
    path = folder / "blank.dtfbook"
    with Logbook.create(path, shop_session()) as book:
        book.add(shop_plan(book.session, 4))

    def fresh(where: Path, name: str) -> Logbook:
        shutil.copyfile(path, where / name)
        return Logbook.open(where / name)

    return fresh


@pytest.fixture
def take(book: Logbook, tmp_path: Path):
    """Imports text, bytes or rows (as .xlsx) into the book."""

    def go(content: Any, name: str = "shop.csv") -> Any:
        path = tmp_path / name
        if isinstance(content, list):
            path = path.with_suffix(".xlsx")
            workbook = openpyxl.Workbook()
            for row in content:
                workbook.active.append(row)
            workbook.save(path)
        else:
            path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        return book.import_sheet(path)

    return go


@pytest.fixture
def fault(book: Logbook, take):
    """Imports something wrong, after one good row, and returns the one line that says so."""

    def go(content: Any, name: str = "shop.csv") -> str:
        before = len(book.history())
        with pytest.raises(ResultsError) as caught:
            take(content, name)
        message = str(caught.value)
        assert "\n" not in message
        assert len(book.history()) == before, "something of a refused sheet was taken in"
        return message

    return go


def of_layout(path: Path, book: Path, steps: int) -> None:
    """Make ``path`` a file of an older layout that says what ``book`` says."""
    with closing(sqlite3.connect(path, isolation_level=None)) as raw:
        raw.execute("ATTACH ? AS today", (str(book),))
        raw.execute("BEGIN")
        for number, (name, step) in enumerate(schema.STEPS[:steps], start=1):
            step(raw)
            raw.execute("INSERT INTO main.layout VALUES (?, ?, 'then')", (number, name))
        for table in ("book", "plans", "presses", "entries", "journal")[: 3 + steps]:
            raw.execute(f"INSERT INTO main.{table} SELECT * FROM today.{table} ORDER BY rowid")
        raw.execute(f"PRAGMA main.application_id = {store.APPLICATION_ID}")
        raw.execute(f"PRAGMA main.user_version = {steps}")
        raw.execute("COMMIT")


def forge(path: Path, *statements: str) -> None:
    """Change what is recorded as someone might who knows the chain: nothing shows it after."""
    with closing(sqlite3.connect(path, isolation_level=None)) as raw:
        triggers = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        kept = triggers.fetchall()
        raw.execute("BEGIN")
        for name, _ in kept:
            raw.execute(f"DROP TRIGGER {name}")
        for statement in (*statements, "DELETE FROM chain"):
            raw.execute(statement)
        chain.extend_over_all(raw)
        for _, sql in kept:
            raw.execute(sql)
        raw.execute("COMMIT")


class Child:
    """A forked child that runs ``work(say)``; what it says comes back line by line."""

    def __init__(self, work: Callable[[Callable[[str], None]], None]) -> None:
        reader, writer = os.pipe()
        sys.stdout.flush()
        self.pid = os.fork()
        if self.pid == 0:
            os.close(reader)
            status = 1
            try:
                work(lambda line: os.write(writer, f"{line}\n".encode()) and None)
                status = 0
            except BaseException as error:
                told = f"{type(error).__name__}: {error}"
                os.write(writer, f"raised {told}\n".encode())
                traceback.print_exc()
            finally:
                os._exit(status)
        os.close(writer)
        self._lines = os.fdopen(reader, encoding="utf-8")

    def line(self) -> str:
        return self._lines.readline().rstrip("\n")

    def rest(self) -> list[str]:
        """Every whole line still to come; waits for the child to end."""
        text = self._lines.read()
        self._lines.close()
        os.waitpid(self.pid, 0)
        return text[: text.rfind("\n") + 1].splitlines()


@pytest.fixture
def child() -> type[Child]:
    if not hasattr(os, "fork"):
        pytest.skip("needs fork")
    return Child
