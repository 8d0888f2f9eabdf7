"""Sessions as text files: written by hand, saved, and broken in every usual way."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dtfexp import Fabric, Factor, Outcome, Session, SessionError

DATA = Path(__file__).parents[2] / "data"
TEXT = """
name = "Corner shop"
fabrics = ["cotton", "nylon"]
[[factors]]
name = "press temperature"
low = 280
high = 340
unit = "F"
[[outcomes]]
name = "peel"
"""


def test_hand_written_text():
    session = Session.from_toml(TEXT)
    assert session == Session(
        "Corner shop",
        [Factor("press temperature", 280, 340, "°F")],
        [Outcome("peel")],
        ["cotton", "nylon"],
    )
    assert Session.from_toml(TEXT.replace("\n", "\r\n")) == session
    assert Session.from_toml("\ufeff" + TEXT) == session


@pytest.mark.parametrize("name", ["example_session.toml", "example_session_fahrenheit.toml"])
def test_the_samples_load_and_save(name, tmp_path):
    session = Session.load(DATA / name)
    assert len(session.fabrics) == 3 and "invented" in session.name
    assert {factor.stage for factor in session.factors} == {"cure", "press"}
    assert session.outcome("wash").washes == 5
    assert any(factor.hard_to_change for factor in session.factors)
    session.save(tmp_path / "again.toml")
    assert Session.load(tmp_path / "again.toml") == session


def test_the_fahrenheit_sample_converts_its_celsius_limit():
    session = Session.load(DATA / "example_session_fahrenheit.toml")
    assert session.temperature_unit == "°F"
    # 165 °C is 329 °F, and the press is 8 °F hotter in places: on steps of 5 that leaves 320
    assert session.highest("press temperature", "polyester interlock") == 320


def test_everything_survives_saving(tmp_path):
    session = Session(
        'Odd "name" é ΔE',
        [
            Factor("cure", 0.5, 2, "min", step=0.25, stage="cure", spread=0.125, usual=1),
            Factor("heat", 280, 340, "F", hard_to_change=True),
            Factor("pressure", levels=("light", "firm"), ordered=True, stage="press"),
        ],
        [
            Outcome("wash", step=0.5, washes=20, series="wash", guide={4.5: "nearly", 5: "as new"}),
            Outcome("plain", guide={}),
            Outcome("bond", 0, 30, 12.5, kind="measured", unit="N/cm"),
            Outcome("sold", kind="passfail"),
            Outcome("cross-cut", worst=5, best=0, accept=1),
        ],
        ["cotton", Fabric("nylon", 311, "F", 'two\nlines, "quoted" # no comment')],
        coupons_per_load=3,
        presses_per_round=5,
        warm_up_minutes=12.5,
        change_over_minutes=0,
        temperature_unit="C",
        notes="many\r\nlines\ttab \\ backslash",
    )
    assert Session.from_toml(session.to_toml()) == session
    path = tmp_path / "s.toml"
    session.save(path)
    session.save(str(path))
    assert Session.load(path) == session
    assert os.listdir(tmp_path) == ["s.toml"]
    assert "[[factors]]" in path.read_text(encoding="utf-8")


_NAMES = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12).filter(
    lambda text: text[0] not in "=+-@"
)


# A busy machine draws slowly; how fast is not what is asked here.
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    name=_NAMES,
    notes=st.text(max_size=40),
    low=st.floats(-1e5, 1e5),
    width=st.floats(1e-3, 1e5),
    share=st.floats(0.001, 1),
    where=st.floats(0, 1),
)
def test_any_session_reads_back_equal(name, notes, low, width, share, where):
    high = low + width
    factor = Factor("f", low, high, step=(high - low) * share, usual=min(low + where * width, high))
    session = Session(name, [factor], [Outcome("o")], [Fabric(name, low / 1e3, notes=notes)])
    assert Session.from_toml(session.to_toml()) == session


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "F"', 'unti = "F"', "number 1: unknown key 'unti'; did you mean 'unit'?"),
        ('name = "Corner', 'nam = "Corner', "session: unknown key 'nam'; did you mean 'name'?"),
        ("[[outcomes]]", "[[outcome]]", "did you mean 'outcomes'?"),
        ('name = "Corner shop"', "", "session: 'name' is missing"),
        ('fabrics = ["cotton", "nylon"]', "", "session: 'fabrics' is missing"),
        ('fabrics = ["cotton", "nylon"]', "fabrics = []", "fabrics has 0 entries"),
        ('fabrics = ["cotton", "nylon"]', 'fabrics = "cotton"', "fabrics is 'cotton'; write each"),
        ('fabrics = ["cotton", "nylon"]', "fabrics = [3]", "number 1: got 3; expected a table"),
        ("[[factors]]", "[factors]", "write each one under its own [[factors]] heading"),
        ('name = "peel"', "best = 5", "[[outcomes]] number 1: 'name' is missing"),
        ("low = 280", "low = 350", "number 1: factor 'press temperature': low is 350"),
        ("low = 280", 'low = "280"', "low: got '280'; accepted a finite number"),
        ("low = 280", "low = 1979-05-27", "low: got datetime.date(1979, 5, 27)"),
        ("low = 280", "low = nan", "low: got nan"),
        ('unit = "F"', 'unit = "furlong"', "unit 'furlong' is not known"),
        ("low = 280", "low = ", "not valid TOML: Invalid value (at line 6"),
        ("high = 340", "high = 340\nhigh = 350", "not valid TOML: Cannot overwrite a value"),
        ('name = "peel"', 'name = "peel', "(at line 10"),
        ('name = "peel"', 'name = """peel', "at line 10, the end"),
    ],
)
def test_broken_text_names_the_place(old, new, said, tmp_path):
    assert old in TEXT
    path = tmp_path / "mine.toml"
    path.write_text(TEXT.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SessionError) as caught:
        Session.load(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ") and said in text and "\n" not in text


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "'name' is missing"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "not a plain text file"),
        (TEXT.encode("utf-16"), "not a plain text file"),
        ('name = "x"\n# 160 \xb0C'.encode("latin-1"), "line 2 is not UTF-8 text"),
        (b"#" * 2_000_001, "too large"),
        (b"a = " + b"[" * 100_000, "not valid TOML"),
    ],
)
def test_files_that_are_no_session(raw, said, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(raw)
    with pytest.raises(SessionError) as caught:
        Session.load(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ") and said in text and "\n" not in text


def test_missing_files_folders_and_odd_paths(tmp_path):
    with pytest.raises(SessionError, match="there is no such file"):
        Session.load(tmp_path / "none.toml")
    with pytest.raises(SessionError, match=r"folder|cannot be read"):
        Session.load(tmp_path)
    for odd in (0, None, "a\x00b"):
        with pytest.raises(SessionError, match="cannot be read"):
            Session.load(odd)
    with pytest.raises(SessionError, match="cannot be written"):
        Session.from_toml(TEXT).save(tmp_path / "no" / "such" / "folder.toml")
    with pytest.raises(SessionError, match="expected TOML text"):
        Session.from_toml(b"name = 1")


def test_a_failed_save_keeps_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "s.toml"
    session = Session.from_toml(TEXT)
    session.save(path)
    before = path.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(SessionError, match="cannot be written \\(No space left"):
        session.save(path)
    assert path.read_bytes() == before and os.listdir(tmp_path) == ["s.toml"]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("name = " + "9" * 5000, "4300 digits"),
        ("name = 0x" + "f" * 5000, "thousands of digits"),
        ("a." * 20_000 + "a = 1", "40 parts"),
        ("[" + '"a" . ' * 20_000 + "a]", "40 parts"),
        ("a" + f".{'b' * 200}" * 9_000 + " = 1", "40 parts"),
        ("a = 1 #" + "x" * 2_000_000, "too large for a session"),
        ("name = " + "[" * 900 + "]" * 900, "nested too deeply"),
    ],
)
def test_what_would_take_for_ever_or_end_raw_is_refused_in_a_line(line, told):
    with pytest.raises(SessionError, match=told) as caught:
        Session.from_toml(line + "\nfactors = []\noutcomes = []\nfabrics = []\n")
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 300


def test_dots_in_texts_and_comments_are_no_long_key() -> None:
    notes = "a." * 40 + 'b "quoted" \\ it\'s'
    session = Session("s", [Factor("f", 1, 9)], [Outcome("peel")], ["jersey"], notes=notes)
    assert Session.from_toml(session.to_toml() + "\n# " + "a." * 40).notes == notes
