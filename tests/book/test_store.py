"""The file itself: what is no logbook, what cannot be written, layout steps and backups."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from dtfexp import Logbook, LogbookError
from dtfexp.book.store import schema, store
from tests.book.conftest import forge


def opening(path: Path) -> str:
    with pytest.raises(LogbookError) as caught:
        Logbook.open(path)
    message = str(caught.value)
    assert "\n" not in message
    assert str(path) in message
    return message


def test_the_file_is_kept_as_measured_best(book: Logbook) -> None:
    book.record(1, {"peel": 4})
    with book._store.reading() as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (3,)  # EXTRA
        assert connection.execute("PRAGMA busy_timeout").fetchone() == (5000,)
    assert sorted(p.name for p in book.path.parent.iterdir()) == [book.path.name]
    with closing(sqlite3.connect(book.path)) as raw:
        assert raw.execute("PRAGMA application_id").fetchone() == (0x64746642,)
        assert raw.execute("PRAGMA user_version").fetchone() == (len(schema.STEPS),)
        assert raw.execute("SELECT step, name FROM layout").fetchall() == [
            (1, "create the logbook"),
            (2, "a journal of bench and room"),
            (3, "a chain over all records"),
        ]


def test_a_copy_of_the_file_alone_is_complete_while_it_is_open(book: Logbook) -> None:
    book.record(1, {"peel": 4})
    copy = book.path.with_name("copy.dtfbook")
    shutil.copyfile(book.path, copy)
    with Logbook.open(copy) as other:
        assert len(other.history()) == 1


@pytest.mark.parametrize("table", ["entries", "presses", "plans", "layout", "book", "journal"])
def test_the_file_itself_refuses_to_change_what_is_recorded(book: Logbook, table: str) -> None:
    book.record(1, {"peel": 4})
    book.keep("room", {"humidity": 50})
    column = {"layout": "at", "book": "by", "presses": "fabric"}.get(table, "by")
    with closing(sqlite3.connect(book.path)) as raw:
        for statement in (f"DELETE FROM {table}", f"UPDATE {table} SET {column} = 'x'"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                raw.execute(statement)


def test_what_is_no_logbook_is_said_and_left_alone(tmp_path: Path) -> None:
    assert "does not exist" in opening(tmp_path / "none.dtfbook")
    assert "is a folder" in opening(tmp_path)
    for name, content in {
        "text": b"press,peel\n1,4\n",
        "zip": b"PK\x03\x04" + bytes(200),
        "nearly": b"SQLite format 3\x00" + b"\x01" * 2000,
        "short": b"SQLite format 3\x00",
    }.items():
        path = tmp_path / name
        path.write_bytes(content)
        assert "not a dtfexp logbook" in opening(path), name
        assert path.read_bytes() == content
    empty = tmp_path / "empty"
    empty.touch()
    assert "is empty" in opening(empty)


def test_an_sqlite_file_of_something_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("CREATE TABLE entries (x)")
        raw.execute("PRAGMA user_version = 1")
    before = path.read_bytes()
    assert "not a dtfexp logbook" in opening(path)
    assert path.read_bytes() == before


def test_a_newer_logbook_is_left_alone(book: Logbook) -> None:
    book.close()
    with closing(sqlite3.connect(book.path)) as raw:
        raw.execute("CREATE TABLE more (x)")
        raw.execute("PRAGMA user_version = 9")
    before = book.path.read_bytes()
    message = opening(book.path)
    assert "newer version of dtfexp (layout 9" in message
    assert "Update dtfexp" in message
    assert book.path.read_bytes() == before


def test_a_damaged_logbook_is_said(book: Logbook) -> None:
    for press in range(1, 9):
        for _ in range(3):
            book.record(press, {"peel": 4}, note="a long note " * 250)
    book.close()
    content = bytearray(book.path.read_bytes())
    content[8192:20000] = os.urandom(20000 - 8192)
    book.path.write_bytes(content)
    message = opening(book.path)
    assert "damaged" in message
    assert "backup" in message
    book.path.write_bytes(content[:30000])
    assert "damaged" in opening(book.path)


def test_damage_that_no_query_would_meet_is_found_on_opening(book: Logbook) -> None:
    for press in range(1, 9):
        book.record(press, {"peel": 4})
    with book._store.reading() as connection:
        page, size = connection.execute(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_schema "
            "WHERE name = 'entries_of_press'"
        ).fetchone()
    book.close()
    content = bytearray(book.path.read_bytes())
    # The last byte of the index page is the row number in its first entry.
    content[page * size - 1] ^= 0x40
    book.path.write_bytes(content)
    with closing(sqlite3.connect(book.path)) as raw:
        assert raw.execute("SELECT COUNT(*) FROM entries").fetchone() == (8,)
    assert "damaged" in opening(book.path)


def test_a_folder_that_is_not_there_is_said(tmp_path: Path, session) -> None:
    with pytest.raises(LogbookError, match=r"folder .*nowhere does not exist"):
        Logbook.create(tmp_path / "nowhere" / "a.dtfbook", session)


def test_a_failed_create_leaves_nothing_behind(tmp_path: Path, session, monkeypatch) -> None:
    def fails(_connection: sqlite3.Connection) -> None:
        raise sqlite3.OperationalError("no such thing")

    monkeypatch.setattr(schema, "STEPS", (("create", fails),))
    with pytest.raises(LogbookError, match="no such thing"):
        Logbook.create(tmp_path / "a.dtfbook", session)
    assert list(tmp_path.iterdir()) == []


def test_a_file_locked_by_another_program_is_said_and_keeps_all(book, monkeypatch) -> None:
    book.record(1, {"peel": 4})
    monkeypatch.setattr(store, "WAIT_SECONDS", 0.1)
    with closing(sqlite3.connect(book.path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        for call in (lambda: book.record(1, {"peel": 5}), book.results):
            with pytest.raises(LogbookError, match="is locked: another program"):
                call()
        assert "is locked" in opening(book.path)
        other.execute("ROLLBACK")
    book.record(1, {"peel": 3})
    assert book.history(1)["peel"].tolist() == [4.0, 3.0]


def test_a_file_locked_by_another_process_is_said(book, child, monkeypatch) -> None:
    monkeypatch.setattr(store, "WAIT_SECONDS", 0.1)
    path, (reader, writer) = book.path, os.pipe()

    def hold(say) -> None:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            say("locked")
            os.read(reader, 1)

    other = child(hold)
    assert other.line() == "locked"
    with pytest.raises(LogbookError, match="is locked: another program"):
        book.record(1, {"peel": 5})
    os.write(writer, b".")
    other.rest()
    book.record(1, {"peel": 3})
    assert book.history(1)["peel"].tolist() == [3.0]


def test_a_writer_waits_for_a_short_lock(book: Logbook) -> None:
    import threading

    other = sqlite3.connect(book.path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN EXCLUSIVE")
    timer = threading.Timer(0.3, lambda: (other.execute("ROLLBACK"), other.close()))
    timer.start()
    book.record(1, {"peel": 5})
    timer.join()
    assert len(book.history(1)) == 1


def test_a_full_file_system_is_said_and_keeps_all(book: Logbook) -> None:
    book.record(1, {"peel": 4})
    with book._store.reading() as connection:
        pass
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    kept = 1
    with pytest.raises(LogbookError, match="the disk is full; nothing was saved"):
        for _ in range(100):
            book.record(1, {"peel": 5}, note="x" * 3000)
            kept += 1
    assert len(book.history(1)) == kept
    connection.execute("PRAGMA max_page_count = 1000000")
    book.record(1, {"peel": 3})
    with Logbook.open(book.path) as other:
        assert len(other.history(1)) == kept + 1


def test_a_truly_full_disk_is_said_and_keeps_all(tmp_path: Path, session, plan_of) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("a small disk of its own needs the right to mount one")
    try:
        with Logbook.create(disk / "a.dtfbook", session) as book:
            book.add(plan_of(session))
            kept = 0
            with pytest.raises(LogbookError, match="full") as caught:
                for _ in range(1000):
                    book.record(1, {"peel": 5}, note="x" * 3000)
                    kept += 1
            assert "\n" not in str(caught.value)
            assert kept > 5
            assert len(book.history(1)) == kept
        with Logbook.open(disk / "a.dtfbook") as book:
            assert len(book.history(1)) == kept
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_read_only_is_said_and_reading_still_works(child, session, plan_of) -> None:
    import tempfile

    # Not under pytest's own folder: another user could not reach it there.
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "shared"
        folder.mkdir()
        Path(place).chmod(0o755)
        path = folder / "a.dtfbook"
        with Logbook.create(path, session) as book:
            book.add(plan_of(session))
            book.record(1, {"peel": 4})
            book.results()

        def try_it(say) -> None:
            if os.getuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            with Logbook.open(path) as book:
                say(str(book.results()["peel"].iloc[0]))
                try:
                    book.record(1, {"peel": 5})
                except LogbookError as error:
                    say(str(error))
            try:
                Logbook.create(folder / "b.dtfbook", session)
            except LogbookError as error:
                say(str(error))

        path.chmod(0o444)
        folder.chmod(0o555)
        read, wrote, made = child(try_it).rest()
        assert read == "4.0"
        assert "is read-only; nothing was saved" in wrote
        assert "cannot be made" in made
        # The file may be written, its folder may not: no journal can be made beside it.
        path.chmod(0o666)
        read, wrote, made = child(try_it).rest()
        assert read == "4.0"
        assert "is read-only; nothing was saved" in wrote
        path.chmod(0o000)
        (wrote,) = child(try_it).rest()
        assert "cannot be read" in wrote
        folder.chmod(0o755)
        path.chmod(0o644)
        with Logbook.open(path) as book:
            assert len(book.history()) == 1


def test_a_book_is_not_used_across_a_fork(book: Logbook, child) -> None:
    def try_it(say) -> None:
        book.record(1, {"peel": 5})

    (said,) = child(try_it).rest()
    assert "was opened in another process; open it here" in said
    book.record(1, {"peel": 4})
    assert len(book.history()) == 1


def add_a_table(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE photos (id TEXT PRIMARY KEY, entry TEXT, image BLOB)")


def test_a_new_layout_step_backs_the_file_up_first(book: Logbook, monkeypatch) -> None:
    book.record(1, {"peel": 4})
    book.close()
    before = book.path.read_bytes()
    steps = (*schema.STEPS, ("photos", add_a_table))
    monkeypatch.setattr(schema, "STEPS", steps)
    with Logbook.open(book.path) as newer:
        assert len(newer.history()) == 1
        with newer._store.reading() as connection:
            assert schema.version(connection) == len(steps)
            done = connection.execute("SELECT step, name FROM layout ORDER BY step").fetchall()
            assert done == list(enumerate([name for name, _ in steps], start=1))
            connection.execute("SELECT * FROM photos")
    (backup,) = (p for p in book.path.parent.iterdir() if p != book.path)
    assert f"before-layout-{len(steps)}" in backup.name
    assert backup.suffix == book.path.suffix
    assert len(backup.read_bytes()) == len(before)
    with Logbook.open(book.path):
        pass
    assert len(list(book.path.parent.iterdir())) == 2, "the second opening has nothing to do"
    monkeypatch.undo()
    with Logbook.open(backup) as old:
        assert old.history()["peel"].tolist() == [4.0]
    assert "newer version" in opening(book.path)


def test_a_layout_step_that_fails_changes_nothing(book: Logbook, monkeypatch) -> None:
    book.record(1, {"peel": 4})
    book.close()
    before = book.path.read_bytes()

    def fails(connection: sqlite3.Connection) -> None:
        add_a_table(connection)
        connection.execute("ALTER TABLE nowhere ADD COLUMN x")

    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, ("a", add_a_table), ("b", fails)))
    with pytest.raises(LogbookError, match=r"already exists|nowhere"):
        Logbook.open(book.path)
    monkeypatch.undo()
    assert book.path.read_bytes() == before
    with Logbook.open(book.path) as same:
        assert len(same.history()) == 1


def test_a_session_that_cannot_be_read_is_said(book: Logbook) -> None:
    book.close()
    forge(book.path, "UPDATE book SET session = 'name = 3'")
    assert "its session cannot be read" in opening(book.path)


def test_a_write_ahead_file_is_turned_back(book: Logbook) -> None:
    book.close()
    with closing(sqlite3.connect(book.path)) as raw:
        raw.execute("PRAGMA journal_mode = WAL")
    with Logbook.open(book.path) as again:
        again.record(1, {"peel": 4})
        with again._store.reading() as connection:
            assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_a_step_cut_off_in_its_backup_is_done_at_the_next_opening(book, monkeypatch) -> None:
    from datetime import UTC, datetime

    book.record(1, {"peel": 4})
    book.close()
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, ("photos", add_a_table)))
    same_second = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
    killed = f"shop-0.before-layout-{len(schema.STEPS)}.2026-05-04-090000.dtfbook"
    book.path.with_name(killed).write_bytes(b"")
    with Logbook.open(book.path, clock=lambda: same_second) as newer:
        assert len(newer.history()) == 1
    monkeypatch.undo()
    with Logbook.open(book.path.with_name(killed)) as backup:
        assert len(backup.history()) == 1
    assert len(list(book.path.parent.iterdir())) == 2, "nothing half made is left"
