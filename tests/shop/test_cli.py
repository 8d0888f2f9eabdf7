"""The command line as a person types it: what it prints, what it leaves, what it refuses."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from dtfexp import Logbook, plan
from dtfexp.dialin.design.plan import DESIGNS
from dtfexp.shop import cli, demo
from dtfexp.shop.cli import main, parser
from dtfexp.shop.demo import BOOK

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data"


def run(capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    code = main(argv)
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.fixture
def shop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """The messy shop's logbook, planned and imported by the commands README shows."""
    book = str(tmp_path / "shop.dtfbook")
    session = str(DATA / "messy_shop_session.toml")
    assert run(capsys, "plan", session, book, "--presses", "14")[0] == 0
    assert run(capsys, "import", book, str(DATA / "messy_shop_sheet.csv"))[0] == 0
    return tmp_path / "shop.dtfbook"


def test_the_messy_sheet_goes_all_the_way(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "import", str(shop), str(DATA / "messy_shop_sheet.xlsx"))
    assert (code, "0 entries added" in out) == (0, True)
    folder = shop.parent / "report"
    code, out, _ = run(capsys, "report", str(shop), "--out", str(folder), "--unit", "°C")
    assert code == 0
    papers, verdict = out.split("\n\n")
    assert verdict.startswith("club tee: ")
    names = {Path(line).name for line in papers.splitlines()}
    assert names == {"report.html", "card-club-tee.pdf", "windows.csv", "windows.json"}
    assert all((folder / name).stat().st_size > 100 for name in names)
    code, out, _ = run(capsys, "next", str(shop), "--presses", "4")
    assert code == 0
    assert re.search(r"^\d+ +18 ", out, re.MULTILINE)  # minute, press
    with Logbook.open(shop) as book:
        assert list(book.runs()["press"]) == list(range(1, 19))


def test_plan_prints_every_press_and_both_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "my.dtfbook"
    code, out, _ = run(
        capsys, "plan", str(DATA / "example_session.toml"), str(path), "--presses", "9", "--seed",
        "4", "--fabrics", "cotton jersey",
    )  # fmt: skip
    assert code == 0
    assert len(re.findall(r"^\d+ +\d+ +cotton jersey", out, re.MULTILINE)) == 9
    assert "°C" in out
    assert "°F" in out
    with Logbook.open(path) as book:
        expected = plan(book.session, 9, fabrics=["cotton jersey"], seed=4).runs
        assert book.runs()[expected.columns.tolist()].to_dict() == expected.to_dict()


def test_the_run_sheet_marks_what_changes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "my.dtfbook"
    _, out, _ = run(
        capsys, "plan", str(DATA / "messy_shop_session.toml"), str(path), "--presses", "8"
    )
    rows = [line for line in out.splitlines() if re.match(r"\d+ +\d+ +club tee", line)]
    with Logbook.open(path) as book:
        runs = book.runs()
        film = [f.name for f in book.session.factors if f.stage in ("print", "cure")]
    # The film is cured before its round: at the press only round and press settings change.
    presses = runs.drop(columns=["press", "fabric", "oven_load", *film])
    changed = (presses != presses.shift()).sum(axis=1).tolist()
    assert [row.count("> ") for row in rows] == [0, *changed[1:]]
    assert max(len(line) for line in out.splitlines() if re.match(r"\d+ +\d+ ", line)) <= 105
    assert (
        len(re.findall(r"^ +- cure load \d+ \(coupons? ", out, re.MULTILINE))
        == runs["oven_load"].nunique()
    )
    assert re.search(r"- wait about \d+ min for the (oven|press)", out)
    assert "at the bench for 8 presses" in out


def test_a_design_takes_its_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "my.dtfbook"
    session = str(DATA / "messy_shop_session.toml")
    code, out, _ = run(
        capsys, "plan", session, str(path), "--presses", "20", "--design", "central composite",
        "--option", "alpha=rotatable", "--option", 'blocks=["Monday", "Tuesday"]',
    )  # fmt: skip
    assert code == 0 and "1.68 times as far out" in out and "> Tuesday" in out
    with Logbook.open(path) as book:
        assert book.runs()["block"].value_counts().tolist() == [9, 9]


def test_a_session_is_rehearsed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.toml"
    path.write_text(
        """
name = "one"
fabrics = ["cotton"]

[[factors]]
name = "cure temperature"
low = 105
high = 145
unit = "°C"
step = 5

[[outcomes]]
name = "peel"
""",
        encoding="utf-8",
    )
    code, out, err = run(
        capsys, "rehearse", str(path), "--presses", "5+2", "--rehearsals", "1", "--jobs", "1"
    )
    assert code == 0, err
    assert "Rehearsal of one: 5 + 2 presses on 1 simulated benches" in out


MISTAKES = [
    (["rehearse", "SESSION", "--presses", "10+x"], "'10+x' is not N+N+N"),
    (["rehearse", "SESSION", "--presses", "10+0"], "presses: got 0"),
    (["plan", "nothing.toml", "x.dtfbook", "--presses", "4"], "nothing.toml"),
    (["plan", "SESSION", "BOOK", "--presses", "4"], "already"),
    (["plan", "SESSION", "new.dtfbook", "--presses", "four"], "'four' is not a whole number"),
    (["plan", "SESSION", "new.dtfbook", "--presses", "0"], "presses: got 0"),
    (["plan", "SESSION", "new.dtfbook", "--presses", "4", "--design", "magic"], "'magic'"),
    (["plan", "SESSION", "new.dtfbook", "--presses", "4", "--fabrics", "velvet"], "velvet"),
    (["plan", "SESSION", "new.dtfbook"], "--presses"),
    (["plan", "SESSION", "new.dtfbook", "--presses", "4", "--option", "reach"], "'reach'"),
    (["plan", "SESSION", "new.dtfbook", "--presses", "4", "--option", "seed=1"], "seed"),
    (["plan", "SESSION", "new.dtfbook", "--presses", "4", "--option", "reach=1"], "no option"),
    (["next", "nothing.dtfbook", "--presses", "3"], "nothing.dtfbook"),
    (["next", "SESSION", "--presses", "3"], "not a dtfexp logbook"),
    (["import", "BOOK", "nothing.csv"], "nothing.csv"),
    (["import", "BOOK", "BOOK"], "shop.dtfbook"),
    (["report", "BOOK"], "--out"),
    (["report", "BOOK", "--out", "r", "--unit", "K"], "unit"),
    (["report", "BOOK", "--out", "SESSION"], "messy_shop_session.toml"),
    (["coupon", "BOOK", "--out", "film", "--presses", "99"], "press 99"),
    (["coupon", "BOOK", "--out", "film", "--presses", "3", "--dpi", "150"], "dpi: got 150"),
    (["coupon", "BOOK", "--out", "film", "--film-width", "wide"], "'wide' is not a number"),
    (["bogus"], "'bogus'"),
]


@pytest.mark.parametrize(("argv", "word"), MISTAKES, ids=lambda v: " ".join(v)[:40])
def test_a_mistake_is_one_clear_line_and_code_2(
    shop: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    argv: list[str],
    word: str,
) -> None:
    names = {"SESSION": str(DATA / "messy_shop_session.toml"), "BOOK": str(shop)}
    before = shop.read_bytes()
    monkeypatch.chdir(shop.parent)
    code, out, err = run(capsys, *(names.get(a, a) for a in argv))
    assert code == 2
    assert out == ""
    # a progress bar may have come and gone on the same line
    last = err.rstrip("\n").split("\r")[-1]
    assert last.count("\n") == 0
    assert last.startswith("dtfexp: ")
    assert word in last
    assert "Traceback" not in err
    assert shop.read_bytes() == before
    assert not (shop.parent / "new.dtfbook").exists()


def test_the_sheet_to_print_and_its_twin_to_type_into(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = shop.parent / "paper"
    for _ in range(2):
        code, out, _ = run(capsys, "sheet", str(shop), "--out", str(folder), "--paper", "letter")
        assert code == 0
    assert {"run-sheet.pdf", "coupon-labels.pdf"} <= {path.name for path in folder.iterdir()}
    assert f"{folder / 'run-sheet.pdf'}" in out
    assert not list(folder.glob("*changed-by-hand*")) and not list(folder.glob(".*"))
    code, out, _ = run(capsys, "import", str(shop), str(folder / "results.xlsx"))
    assert (code, "0 entries added" in out) == (0, True)
    code, _, err = run(capsys, "sheet", str(shop), "--out", str(folder), "--paper", "A5")
    assert (code, "one of A4, Letter" in err) == (2, True)


def test_coupons_are_drawn_for_the_film(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shop.parent / "film"
    code, out, _ = run(capsys, "coupon", str(shop), "--out", str(folder), "--presses", "3", "5")
    assert code == 0
    assert "2 coupons for 2 presses" in out and str(folder / "strip.pdf") in out
    assert (folder / "300dpi" / "press-005-white.png").is_file()


def test_help_names_every_design_and_loads_nothing_heavy() -> None:
    assert cli.DESIGNS == DESIGNS
    code = (
        "import sys; from dtfexp.shop.cli import parser; parser(); "
        "sys.exit(bool({'numpy', 'pandas', 'scipy', 'matplotlib'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_mistyped_logbook_is_told_before_anything_heavy_is_loaded() -> None:
    code = (
        "import sys; from dtfexp.shop.cli import main; told = main(['status', 'no.dtfbook']); "
        "sys.exit(told if not {'numpy', 'pandas'} & set(sys.modules) else 99)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert found.returncode == 2
    assert b"no.dtfbook does not exist; check the name, or make it with" in found.stderr


def test_help_everywhere(capsys: pytest.CaptureFixture[str]) -> None:
    commands = ["demo", "new", "plan", "sheet", "next", "import", "report", "open", "backup",
                "check"]  # fmt: skip
    for argv in ([], *[[c] for c in commands]):
        with pytest.raises(SystemExit) as stop:
            parser().parse_args([*argv, "--help"])
        assert stop.value.code == 0
        out = capsys.readouterr().out
        assert "dtfexp" in out
        assert "Example:" in out or "In order:" in out


def test_demo_never_takes_the_place_of_a_real_logbook(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    real = shop.rename(shop.with_name(BOOK))
    before = real.read_bytes()
    code, _, err = run(capsys, "demo", "--out", str(real.parent))
    assert code == 2
    assert "was not changed" in err
    assert real.read_bytes() == before


def test_open_copies_and_leaves_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "1_plan.ipynb").write_text("mine")
    code, _, _ = run(capsys, "open", str(tmp_path), "--no-launch")
    assert code == 0
    assert (tmp_path / "1_plan.ipynb").read_text() == "mine"
    for name in ("2_record.ipynb", "3_report.ipynb", "example_session.toml"):
        assert (tmp_path / name).exists()


@pytest.mark.slow
def test_a_wheel_alone_gives_notebooks_and_the_demo_in_place_of_an_earlier_one(
    tmp_path: Path,
) -> None:
    """Built from the project and unpacked in an empty folder: nothing of the source is seen.

    The demo with few presses; the whole of it is the README's first command, run by ``.ci/run``.
    """
    wheel = tmp_path / "wheel"
    built = subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(wheel), "."],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert built.returncode == 0, built.stderr[-2000:]
    (file,) = wheel.glob("*.whl")
    place = tmp_path / "installed"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "--no-deps", "-q", "--target", str(place), file],
        check=True,
    )
    empty = tmp_path / "empty"
    empty.mkdir()

    def dtfexp(*argv: str) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, *argv],
            cwd=empty, env=os.environ | {"PYTHONPATH": str(place)}, capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr[-2000:]
        return done

    assert str(place) in dtfexp("-c", "import dtfexp; print(dtfexp.__file__)").stdout
    dtfexp("-m", "dtfexp.shop.cli", "open", "shop", "--no-launch")
    assert {"1_plan.ipynb", "2_record.ipynb", "3_report.ipynb", "example_session.toml"} <= {
        file.name for file in (empty / "shop").iterdir()
    }
    folder = empty / "dtfexp-demo"
    page = folder / "report" / "report.html"
    page.parent.mkdir(parents=True)
    page.write_text("of an earlier demo", encoding="utf-8")
    session = demo.DemoBench().session
    with Logbook.create(folder / BOOK, session) as book:
        book.add(plan(session, 3))
    short = "demo.FIRST_LOOK, demo.FOLLOW_UPS = 6, (3,)"
    done = dtfexp("-c", f"from dtfexp.shop import cli, demo; {short}; cli.main(['demo'])")
    for word in ("invented", str(page.resolve()), *(fabric.name for fabric in session.fabrics)):
        assert word in done.stdout
    assert "%" in done.stderr  # the bar
    assert "100 of 100 pass" not in done.stdout  # never more than was found
    assert "of an earlier demo" not in page.read_text(encoding="utf-8")
    with Logbook.open(folder / BOOK) as book:
        assert len(book.results()) == 6 + 3
