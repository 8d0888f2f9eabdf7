"""``backup`` and ``check`` at the terminal; ``open`` runs nothing of the folder; long numbers."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from dtfexp import Logbook
from dtfexp.book import logbook
from dtfexp.shop import commands
from dtfexp.shop.cli import main
from tests.book.conftest import shop_plan, shop_session
from tests.book.test_chain import GRADE, altered

SAMPLE = Path(__file__).parents[2] / "data" / "example_session.toml"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with Logbook.create(tmp_path / "my.dtfbook", shop_session()) as book:
        book.add(shop_plan(book.session))
        for press in (1, 2, 3):
            book.record(press, {"peel": press})
    return tmp_path / "my.dtfbook"


def test_a_backup_goes_among_the_automatic_copies_or_where_one_says(path: Path, capsys) -> None:
    assert main(["backup", str(path)]) == 0
    assert main(["backup", str(path), str(path.parent / "other.dtfbook")]) == 0
    said = capsys.readouterr().out
    (copy,) = (path.parent / "my.dtfbook.backups").iterdir()
    assert str(copy) in said
    for one in (copy, path.parent / "other.dtfbook"):
        assert Logbook.check(one) == []
    assert main(["backup", str(path), str(path.parent / "other.dtfbook")]) == 2
    assert "is there already" in capsys.readouterr().err


def test_check_tells_damage_by_its_exit_code_and_saves_the_rest(path: Path, capsys) -> None:
    assert main(["check", str(path)]) == 0
    assert "my.dtfbook is sound" in capsys.readouterr().out
    altered(path, GRADE)
    assert main(["check", str(path)]) == 1
    said = capsys.readouterr().out
    assert said.startswith("entry 2 (press 2) is not as it was written\n")
    assert f"dtfexp check {path} --salvage NEW" in said
    assert main(["report", str(path), "--out", str(path.parent / "out")]) == 2
    assert "is damaged: entry 2 (press 2)" in capsys.readouterr().err
    new = path.parent / "new.dtfbook"
    assert main(["check", str(path), "--salvage", str(new)]) == 1
    assert "8 presses, 2 entries, 0 notes" in capsys.readouterr().out
    assert main(["check", str(new)]) == 0
    assert main(["check", str(path.parent / "none.dtfbook")]) == 2


@pytest.mark.parametrize("seed", ["9" * 31, "-1", "9" * 5000])
def test_a_seed_of_any_length_makes_a_plan_or_no_logbook(tmp_path: Path, capsys, seed: str) -> None:
    book = tmp_path / "a.dtfbook"
    assert main(["plan", str(SAMPLE), str(book), "--presses", "8", "--seed", seed]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "Traceback" not in error
    assert not book.exists()


def test_a_plan_that_cannot_be_kept_leaves_no_logbook(tmp_path: Path, monkeypatch) -> None:
    def full_disk(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(logbook.Logbook, "add", full_disk)
    book = tmp_path / "a.dtfbook"
    assert main(["plan", str(SAMPLE), str(book), "--presses", "8"]) == 2
    assert not book.exists()


def test_open_runs_nothing_that_lies_in_the_folder(tmp_path: Path, monkeypatch) -> None:
    """What Jupyter imports or reads at its start, each a trap that leaves a file behind."""
    ran = tmp_path / "ran"
    shop = tmp_path / "shop"
    shop.mkdir()
    for name in ("jupyterlab", "json", "traitlets", "jupyter_server", "sitecustomize",
                 "jupyter_lab_config", "jupyter_server_config", "jupyter_config"):  # fmt: skip
        (shop / f"{name}.py").write_text(f"open({str(ran)!r}, 'a').write({name!r})\n")
    called = []

    def start(command: list[str], **how: object) -> int:
        called.append(command)
        done = subprocess.run([*command, "--show-config"], **how, capture_output=True, text=True)
        assert "1_plan" not in done.stderr
        return done.returncode

    monkeypatch.setattr(commands.subprocess, "call", start)
    assert main(["open", str(shop)]) == 0
    assert called[0][-1] == str(shop / "1_plan.ipynb")
    assert not ran.exists(), ran.read_text()
