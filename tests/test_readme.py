"""README and project file: what they promise is what is there."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import dtfexp

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PYTHON = (ROOT / "dtfexp" / "PYTHON.md").read_text(encoding="utf-8")
NOTEBOOKS = sorted(path.name for path in (ROOT / "notebooks").glob("*.ipynb"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_it_opens_with_one_paragraph_and_then_the_two_commands():
    parts = README.split("\n\n")
    assert parts[0] == "# dtfexp" and not parts[1].startswith("#") and "\n" not in parts[1]
    assert parts[2] == "## Two commands"
    first = "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/dtfexp demo"
    assert f"\n{first}\n.venv/bin/python -m pytest\n" in README
    assert ".venv\\Scripts\\python -m pytest" in README


def test_the_ci_runs_exactly_the_two_commands():
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for command in re.search(r"```sh\n(.*?)```", README, re.S)[1].splitlines():
        assert command in ci
    for check in ("ruff check", "ruff format --check", "mypy --strict dtfexp/"):
        assert check in ci
    if os.name == "posix":
        assert (ROOT / ".ci" / "run").stat().st_mode & 0o111


def test_the_version_is_told_once():
    assert PROJECT["project"]["dynamic"] == ["version"]
    assert re.fullmatch(r"\d+\.\d+\.\d+", dtfexp.__version__)


def test_it_is_short_and_its_first_hour_takes_ten_lines():
    assert len(README.split()) <= 900
    hour = README.split("## The first hour of a shop\n\n")[1].split("\n\n")[0].splitlines()
    assert [line.split(".")[0] for line in hour] == [str(k) for k in range(1, 11)]
    # A shop meets every notebook in it.
    assert sorted(set(re.findall(r"`(\d_\w+\.ipynb)`", "\n".join(hour)))) == NOTEBOOKS


@pytest.mark.parametrize(
    ("page", "path"),
    [
        (page, path)
        for page, text in (("README.md", README), ("dtfexp/PYTHON.md", PYTHON))
        for path in re.findall(r"`(data/[\w./]+)`|\]\(([\w./]+)\)|src=\"([\w./]+)\"", text)
    ],
)
def test_files_it_names_are_there(page, path):
    (name,) = filter(None, path)
    # Links are read from the page's own folder, files in a command from the root.
    assert (ROOT / page).parent.joinpath(name).exists() or (ROOT / name).exists()


def test_its_commands_are_commands():
    """Every ``dtfexp WORD`` of both pages is one that the command line knows."""
    known = subprocess.run(
        [sys.executable, "-m", "dtfexp.shop.cli", "--help"], capture_output=True, text=True
    ).stdout
    named = set(re.findall(r"(?:`|^|bin/)dtfexp ([a-z]+)", README + PYTHON, re.M))
    assert {"demo", "open", "new", "plan", "status"} <= named
    assert [word for word in sorted(named) if not re.search(rf"dtfexp {word}\b", known)] == []


@pytest.mark.slow
def test_its_python_runs(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    (code,) = re.findall(r"```python\n(.*?)```", PYTHON, re.S)
    exec(compile(code, "PYTHON.md", "exec"), {})
    assert "cure temperature" in capsys.readouterr().out


def test_developers_opens_with_three_refusals():
    lines = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    assert [line.startswith("dtfexp refuses to") for line in lines[2:5]] == [True] * 3


def test_files_developers_are_sent_to_are_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:describe|maths|dialin|book|show|shop)/[\w.]*)`", text)
    assert len(named) > 10
    for path in named:
        assert (ROOT / "dtfexp" / path).exists(), path
