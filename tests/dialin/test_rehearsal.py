"""Rehearsals: the same whatever runs them, honest counts, one line for a mistake."""

from __future__ import annotations

from collections.abc import Iterator

import joblib
import numpy as np
import pandas as pd
import pytest

from dtfexp import PlanError, Rehearsal, fit, rehearse
from dtfexp.dialin.rehearse import rehearsal
from dtfexp.dialin.rehearse.rehearsal import _Row
from dtfexp.dialin.rehearse.simulated_bench import SimulatedBench, simulate_bench
from tests.dialin.bench import HALF, ONE, graded


@pytest.fixture(scope="module")
def serial() -> Rehearsal:
    return rehearse(ONE, (6, 4), rehearsals=2, jobs=1, seed=3, progress=False)


def same(a: Rehearsal, b: Rehearsal) -> None:
    pd.testing.assert_frame_equal(a.rehearsed, b.rehearsed, check_exact=True)
    pd.testing.assert_frame_equal(a.widths, b.widths, check_exact=True)
    assert repr(a) == repr(b)


def test_a_dask_cluster_gives_the_serial_result(serial: Rehearsal) -> None:
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
        joblib.parallel_config(backend="dask"),
    ):
        found = rehearse(ONE, (6, 4), rehearsals=2, seed=3, progress=False)
        # The work was done by the cluster, and not beside it.
        done = client.run(lambda dask_worker: dask_worker.state.executed_count)
    same(serial, found)
    assert sum(done.values()) >= 2


def test_threads_and_another_number_of_rehearsals_change_nothing(serial: Rehearsal) -> None:
    with joblib.parallel_config(backend="threading"):
        more = rehearse(ONE, (6, 4), rehearsals=3, jobs=2, seed=3, progress=False)
    first = more.rehearsed[more.rehearsed["rehearsal"] <= 2]
    pd.testing.assert_frame_equal(first, serial.rehearsed, check_exact=True)


def test_the_counts_are_those_of_the_rows(serial: Rehearsal) -> None:
    rows, table = serial.rehearsed, serial.table.iloc[0]
    assert table["found"] == (rows["has_window"] & rows["found"]).sum()
    assert table["false"] == (rows["found"] & (rows["target_true"] < 0.9)).sum()
    assert rows["presses"].between(6, 10).all()
    assert (rows["stopped"] == (rows["presses"] < 10)).all()
    assert (rows["garments"] == rows["presses"]).all() and (rows["hours"] > 0).all()
    assert "6 + 4 presses on 2 simulated benches" in repr(serial)
    assert "<table>" in serial._repr_html_()


@pytest.fixture(scope="module")
def bench() -> SimulatedBench:
    return simulate_bench(HALF, ["cotton", "nylon"], None, np.random.default_rng(5))


def test_presses_pass_as_often_as_the_bench_says(bench: SimulatedBench) -> None:
    """Luck, noise, spread, grades and cuts: 8 x 125 presses, each in a load and round of its own,
    within four standard errors and the 0.01 that the model's short cut for the spread may miss."""
    rng = np.random.default_rng(0)
    for setting in ({"cure temperature": 125.0, "press temperature": 310.0},
                    {"cure temperature": 115.0, "press temperature": 300.0}):  # fmt: skip
        n = 125
        number = np.arange(1, n + 1)
        runs = pd.DataFrame([setting] * n).assign(
            fabric="cotton", press=number, oven_load=number, press_round=number
        )
        passed = []
        for _ in range(8):
            seen = bench.press(runs, rng)
            fine = np.ones(n, dtype=bool)
            for o in HALF.outcomes:
                fine &= np.array([o.passes(value) for value in seen[o.name]])
            passed.append(fine.mean())
        true = float(bench.pass_rate(pd.DataFrame([setting]), "cotton")[0])
        assert 0.02 < true < 0.98  # else the comparison would say nothing
        assert np.mean(passed) == pytest.approx(
            true, abs=4 * np.sqrt(true * (1 - true) / 1000) + 0.01
        )


def test_the_true_window_is_the_widest_run_of_good_settings() -> None:
    """Between the steps of the dial as well, in tenths of a step, as a fit tells its own."""
    found = 0
    for seed in range(8):
        one = simulate_bench(ONE, ["cotton"], None, np.random.default_rng(seed))
        at = pd.DataFrame({"cure temperature": np.arange(105.0, 145.1, 0.5)})
        good = "".join("x" if r >= 0.9 else " " for r in one.pass_rate(at, "cotton"))
        widest = max(0.5 * (len(run) - 1) for run in (good.split() or ["x"]))
        window = one.window("cotton", 0.9)
        if window is None:
            assert widest < 9  # twice the spread is 6 °C, and a step of 5 °C must stand inside
            continue
        found += 1
        width = window.high["cure temperature"] - window.low["cure temperature"]
        assert width == pytest.approx(widest, abs=0.51)
        assert window.size == pytest.approx(width / 3)
        assert one.good_share("cotton", window.low, window.high, 0.9) == 1.0
        # A box on the dial's steps alone is no larger.
        on_steps = one.pass_rate(at.iloc[::10], "cotton") >= 0.9
        runs = "".join("x" if g else " " for g in on_steps).split()
        assert width >= max((5.0 * (len(run) - 1) for run in runs), default=0.0)
    assert 0 < found < 8


def _rows(*found: tuple[bool, float]) -> pd.DataFrame:
    """Rehearsals with a window or not, and with one after two more batches."""
    return pd.DataFrame(
        [
            {"rehearsal": k, "fabric": "cotton", "has_window": True, "true_size": 4.0,
             "found": one, "found_with_more": more, "size": 2.0 * one, "box_good": 1.0,
             "target_true": 0.95, "target_stated": 0.95, "presses": 18, "batches": 3,
             "stopped": False, "hours": 5.0, "garments": 18, "film": 0.5}
            for k, (one, more) in enumerate(found, start=1)
        ]
    )  # fmt: skip


def test_the_answer_says_whether_the_presses_are_enough_and_what_they_take() -> None:
    """By hand: 3 of 5 found; on the three benches played on, 2 found before and 3 after."""
    nan = float("nan")
    rows = _rows((True, nan), (False, nan), (True, 1.0), (False, 1.0), (True, 1.0))
    made = Rehearsal(ONE, (10, 4, 4), 0.9, None, 0, 5, rows, pd.DataFrame(columns=WIDTHS))
    first, second, *rest = made.summary.answers
    # Wilson 1927 at z = 1.6449 for 3 of 5, by hand: 0.274 to 0.857.
    assert first == (
        "cotton: with these presses, your chance to end with a window is 60 % (3 of 5 benches; "
        "90 % interval 27 to 86 %); two more batches of 4 would make it 93 %."
    )
    assert second.startswith("It takes 5.0 hours of a person (grading included), 18 garments")
    assert not rest
    stopped = Rehearsal(ONE, (10, 4, 4), 0.9, None, 0, 20, rows, pd.DataFrame(columns=WIDTHS))
    assert stopped.summary.answers[-1].startswith("Stopped after 5 of 20 rehearsals")
    alone = Rehearsal(ONE, (10,), 0.9, None, 0, 2, rows.head(2), pd.DataFrame(columns=WIDTHS))
    assert "two more" not in alone.summary.answers[0]


WIDTHS = ["rehearsal", "fabric", "setting", "width"]


def test_an_interrupt_keeps_what_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    def until(row: int) -> Iterator[object]:
        for k in range(1, row + 1):
            yield [played(k)], []
        raise KeyboardInterrupt

    def played(k: int) -> _Row:
        return _Row(**_rows((True, 1.0)).iloc[0].to_dict() | {"rehearsal": k})

    monkeypatch.setattr(rehearsal, "_rehearsals", lambda *_: until(3))
    found = rehearse(ONE, (6, 4), rehearsals=9, jobs=1, progress=False)
    assert len(found.rehearsed) == 3 and "Stopped after 3 of 9" in repr(found)
    monkeypatch.setattr(rehearsal, "_rehearsals", lambda *_: until(0))
    with pytest.raises(KeyboardInterrupt):
        rehearse(ONE, (6, 4), rehearsals=9, jobs=1, progress=False)


def test_the_answer_so_far_is_told_and_gets_better(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def once(_request: object, k: int, _seed: object) -> object:
        return [_Row(**_rows((k != 2, 1.0)).iloc[0].to_dict() | {"rehearsal": k})], []

    monkeypatch.setattr(rehearsal, "rehearse_once", once)
    rehearse(ONE, (6, 4), rehearsals=5, jobs=1)
    told = [line for line in capsys.readouterr().err.splitlines() if line[:4] in ("From", "Play")]
    assert "5 drawn benches" in told.pop(0), "said before the first bench is played"
    row = _rows((True, 1.0)).iloc[0]
    takes = f"it takes about {row['hours']:.1f} hours and {row['garments']:.0f} garments"
    # Wilson intervals at 90 % of 1 of 1, 1 of 2 and 3 of 4, by hand.
    assert told == [
        f"From {benches} so far, your chance to end with a window: cotton {low} to {high} %; "
        f"{takes} or swatches."
        for benches, low, high in (
            ("1 drawn bench", 27, 100), ("2 drawn benches", 12, 88), ("4 drawn benches", 36, 94),
        )
    ]  # fmt: skip


def test_benches_drawn_from_a_fit_agree_with_it() -> None:
    fitted = fit(ONE, graded(ONE, _seen()))
    at = pd.DataFrame({"cure temperature": [105.0, 125.0, 145.0]})
    rng = np.random.default_rng(2)
    drawn = np.array(
        [simulate_bench(ONE, ["cotton"], fitted, rng).pass_rate(at, "cotton") for _ in range(40)]
    )
    expected = fitted.pass_rate(at, "cotton")["pass_rate"].to_numpy()
    error = drawn.std(axis=0) / np.sqrt(len(drawn))
    assert (np.abs(drawn.mean(axis=0) - expected) < 4 * error + 0.01).all()


def test_a_rehearsal_goes_on_from_a_fit() -> None:
    fitted = fit(ONE, graded(ONE, _seen()))
    found = rehearse(ONE, 2, rehearsals=2, start=fitted, jobs=1, progress=False)
    assert found.schedule == (2,) and found.rehearsed["presses"].between(0, 2).all()
    assert "agree with the 12 presses recorded so far" in repr(found)
    with pytest.raises(PlanError, match="give one of this session"):
        rehearse(HALF, 2, start=fitted)


def _seen() -> pd.DataFrame:
    number = np.arange(1, 13)
    cure = np.linspace(105, 145, 12).round()
    return pd.DataFrame(
        {"press": number, "fabric": "cotton", "oven_load": number, "press_round": number,
         "cure temperature": cure}
    )  # fmt: skip


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"schedule": ()}, "schedule is empty"),
        ({"schedule": (6, 0)}, "presses: got 0"),
        ({"schedule": "6"}, "presses: got '6'"),
        ({"rehearsals": 0}, "rehearsals: got 0"),
        ({"jobs": 0}, "jobs: got 0"),
        ({"pass_rate": 1.0}, "pass_rate: got 1"),
        ({"start": "yesterday"}, "start is a str"),
    ],
    ids=str,
)
def test_a_mistake_is_one_line(wrong: dict[str, object], word: str) -> None:
    with pytest.raises(PlanError, match=word) as told:
        rehearse(ONE, **wrong)  # type: ignore[arg-type]
    assert "\n" not in str(told.value)
