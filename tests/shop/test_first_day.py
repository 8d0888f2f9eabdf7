"""The first day of a bench ends in a session file that plans."""

import io

import pytest

from dtfexp import Session, plan
from dtfexp.shop import cli
from dtfexp.shop.first_day import CHECKLIST


def run(monkeypatch, capsys, path, *answers):
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{a}\n" for a in answers)))
    code = cli.main(["new", str(path)])
    return code, capsys.readouterr()


def test_enter_all_the_way_makes_a_session_that_plans(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    code, told = run(monkeypatch, capsys, path, *[""] * 30)
    assert code == 0 and "dtfexp plan" in told.out and "burn at a touch" in told.out
    assert all(line in told.out for line in CHECKLIST)
    session = Session.load(path)
    cure = session.factor("cure temperature")
    assert (cure.bounds, cure.usual, cure.spread) == ((110.0, 140.0), 125.0, 5.0)
    assert session.factor("press time").bounds == (8.0, 30.0)
    assert len(plan(session, 12).runs) == 12


def test_a_shop_in_fahrenheit_with_its_own_answers(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    code, told = run(
        monkeypatch, capsys, path,
        "garage", "degF", "cotton, nylon shell 300F, club shirt 150 C",
        "257", "240 to 280", "250 262", "60",
        "900", "310", "305 330", "290-330", "", "15", "-", "3", "4", "6",
    )  # fmt: skip
    assert code == 0, told.err
    assert "a temperature from 140 to 482 °F" in told.out
    assert "one of the fabrics takes 300 °F at most" in told.out
    session = Session.load(path)
    assert session.temperature_unit == "°F" and session.factor("cure temperature").spread == 6.0
    assert [f.heat_limit for f in session.fabrics] == [None, 300.0, 302.0]
    assert [f.name for f in session.factors][-1] == "press time"
    assert (session.coupons_per_load, session.presses_per_round) == (4, 6)
    assert session.outcome("wash").washes == 3


def test_a_wrong_answer_is_asked_for_again(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    code, told = run(monkeypatch, capsys, path, "", "bar", "C", *[""] * 20)
    assert code == 0 and "write C or F" in told.out and path.exists()


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (["", ""], "the questions were cut off; nothing was written"),
        (["", *["x"] * 5], "no usable answer; nothing was written"),
    ],
)
def test_nothing_is_written_when_it_is_broken_off(tmp_path, monkeypatch, capsys, answers, said):
    path = tmp_path / "s.toml"
    code, told = run(monkeypatch, capsys, path, *answers)
    assert code == 2 and said in told.err and not path.exists()
    assert told.err.count("\n") == 1


def test_a_file_that_is_there_stays(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    path.write_text("mine", encoding="utf-8")
    code, told = run(monkeypatch, capsys, path)
    assert code == 2 and "stays as it is" in told.err and path.read_text() == "mine"
