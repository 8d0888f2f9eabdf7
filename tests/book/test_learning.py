"""Learning from logbooks: what is learnt, kept, refused, and used by a session."""

import json
from dataclasses import replace
from pathlib import Path

import joblib
import numpy as np
import pandas as pd
import pytest
from pypdf import PdfReader

from dtfexp import (
    Experience,
    Fabric,
    Factor,
    Logbook,
    LogbookError,
    Outcome,
    Session,
    SessionError,
    fit,
    learn,
    next_presses,
    plan,
    report,
)
from dtfexp.dialin.rehearse.simulated_bench import simulate_bench
from dtfexp.shop.cli import main

# Invented benches: best at about 143 °C and 18 s, 8 °C above and 5 s over what is usual.
BEST = (143.0, 18.0)


def session(unit="°C", **more):
    heat = {"°C": (125, 155, 135), "°F": (257, 311, 275)}[unit]
    return Session(
        "press only",
        [
            Factor("press temperature", *heat[:2], unit, step=1, spread=2, usual=heat[2]),
            Factor("press time", 6, 26, "s", step=1, spread=0.5, usual=13),
        ],
        [Outcome("wash")],
        ["cotton tee"],
        **more,
    )


def graded(runs, seed, unit="°C"):
    rng = np.random.default_rng(seed)
    heat = runs["press temperature"].to_numpy(dtype=float)
    heat = (heat - 32) * 5 / 9 if unit == "°F" else heat
    best = np.array(BEST) + rng.normal(0, (1.5, 1.0))
    z = np.column_stack([(heat - best[0]) / 12, np.log(runs["press time"] / best[1]) / 0.7])
    quality = 5.2 - 2.2 * (z**2).sum(axis=1) + rng.normal(0, 0.25, len(runs))
    return runs.assign(wash=np.clip(np.round(quality), 1, 5))


def write_book(path: Path, seed: int, unit: str = "°C") -> Path:
    described = session(unit)
    runs = plan(described, 10, design="latin hypercube", seed=seed).runs
    with Logbook.create(path, described) as book:
        book.add(plan(described, 10, design="latin hypercube", seed=seed))
        for row in graded(runs, seed, unit).to_dict("records"):
            book.record(row["press"], grades={"wash": row["wash"]})
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("learning")


@pytest.fixture(scope="module")
def books(folder):
    # One shop thinks in °F: the same bench in other units.
    return [write_book(folder / f"b{k}.dtfbook", k, "°F" if k == 2 else "°C") for k in range(6)]


@pytest.fixture(scope="module")
def learnt(books):
    return learn(books, name="our shop", progress=False)


@pytest.fixture(scope="module")
def results():
    runs = plan(session(), 5, seed=3).runs
    return graded(runs, 77)


def test_it_learns_where_good_settings_lie(learnt):
    (place,) = learnt.content["places"]
    best = {own["key"]: own for own in place["settings"]}
    assert (place["fabric"], place["books"]) == ("cotton", 6)
    heat, time = best["press temperature"], best["press time"]
    assert heat["best"] == pytest.approx(BEST[0], abs=4) and heat["unit"] == "°C"
    assert time["best"] == pytest.approx(BEST[1], rel=0.25)
    assert heat["low"] < heat["best"] < heat["high"]


def test_it_says_in_words_what_it_is(learnt):
    said = learnt.describe()
    for word in (
        "our shop",
        "6 logbooks",
        "60 graded presses",
        "b2 (",
        "Like presses differ",
        "°F)",
        "30 %",
    ):
        assert word.replace(" %", "%") in said, word


def test_the_file_is_read_back_equal_and_holds_no_press(learnt, folder):
    learnt.save(folder / "shop.json")
    again = Experience.load(folder / "shop.json")
    assert again == learnt
    text = (folder / "shop.json").read_text(encoding="utf-8")
    assert len(text) < 20_000
    # Distributions only: nothing in it is as long as the presses of the books.
    assert set(learnt.content) == {
        "format", "version", "name", "made", "share", "books", "settings", "common", "classes",
        "joint", "new_class", "between", "scales", "places", "moved",
    }  # fmt: skip
    assert all(set(book) == {"name", "digest", "presses", "fabrics"}
               for book in learnt.content["books"])  # fmt: skip


def test_any_order_any_number_of_jobs_and_a_second_run_give_the_same(books, learnt, folder):
    kept = folder / "kept"
    with joblib.parallel_config(backend="threading"):
        again = learn(books[::-1], name="our shop", keep=kept, jobs=2, progress=False)
    assert again == learnt
    files = sorted(kept.glob("*.json"))
    assert len(files) == 6
    # What is there is not worked out again: a kept message is taken as it stands.
    before = {path: path.stat().st_mtime_ns for path in files}
    assert learn(books, name="our shop", keep=kept, progress=False) == learnt
    assert before == {path: path.stat().st_mtime_ns for path in files}


def test_books_that_cannot_be_learnt_from_are_refused(books, folder):
    empty = folder / "empty.dtfbook"
    Logbook.create(empty, session()).close()
    for given, said in (
        ([], "books is empty"),
        ([books[0], empty], "empty: no grade"),
        ([books[0], books[0]], "give each logbook once"),
        (str(books[0]), "a list of logbooks"),
        ([folder / "none.dtfbook"], "none.dtfbook"),
    ):
        with pytest.raises(LogbookError, match=said):
            learn(given, progress=False)


def test_a_bad_file_is_refused_in_one_line(learnt, folder):
    whole = json.loads(learnt.to_text())
    bad = {
        "text": "hello",
        "list": "[1, 2]",
        "nan": learnt.to_text().replace(f'"share":{whole["share"]}', '"share":NaN'),
        "version": json.dumps(whole | {"version": 99}),
        "short": json.dumps(whole | {"between": whole["between"][:-1]}),
        "negative": json.dumps(whole | {"between": [-v for v in whole["between"]]}),
        "no half": json.dumps(
            whole | {"settings": [own | {"half": 0} for own in whole["settings"]]}
        ),
        "share": json.dumps(whole | {"share": 1.5}),
        "books": json.dumps(whole | {"books": [1]}),
    }
    for name, text in bad.items():
        path = folder / f"{name}.bad"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(SessionError) as caught:
            session(experience=path)
        assert "\n" not in str(caught.value) and f"{name}.bad" in str(caught.value), name
    with pytest.raises(SessionError, match="no such file"):
        session(experience=folder / "nowhere.json")
    with pytest.raises(SessionError, match="an Experience or the path"):
        session(experience=3)


def test_a_session_file_names_it_and_a_logbook_keeps_it(learnt, folder):
    learnt.save(folder / "shop.json")
    described = session(experience=folder / "shop.json")
    described.save(folder / "press.toml")
    assert 'experience = "shop.json"' in (folder / "press.toml").read_text(encoding="utf-8")
    assert Session.load(folder / "press.toml") == described
    assert Session.from_toml(described.to_toml()) == described
    with Logbook.create(folder / "with.dtfbook", described) as book:
        book.add(plan(book.session, 4))
    (folder / "shop.json").unlink()
    with Logbook.open(folder / "with.dtfbook") as book:
        assert book.session.experience == learnt
        book.start_from(None)
        assert book.session.experience is None
    with Logbook.open(folder / "with.dtfbook") as book:
        assert book.session.experience == learnt


def test_the_first_look_starts_at_the_place_it_expects(learnt):
    first = plan(session(experience=learnt), 5)
    assert "experience" in first.reason
    centre = first.runs[["press temperature", "press time"]].mean()
    assert centre["press temperature"] == pytest.approx(BEST[0], abs=5)
    near = (first.runs["press temperature"] - BEST[0]).abs() <= 5
    assert (near & ((first.runs["press time"] - BEST[1]).abs() <= 4)).any()
    # The heat limit of the fabric holds whatever was learnt.
    limited = session(experience=learnt).altered(fabrics=[Fabric("cotton tee", heat_limit=138)])
    runs = plan(limited, 5).runs
    assert all(limited.refusal(row, "cotton tee") == "" for row in runs.to_dict("records"))


def test_it_is_used_by_fit_window_and_next_presses(learnt, results):
    without, with_it = (fit(session(experience=e), results) for e in (None, learnt))
    at = pd.DataFrame({"press temperature": [BEST[0]], "press time": [BEST[1]]})
    told = [f.pass_rate(at, "cotton tee").iloc[0] for f in (without, with_it)]
    assert told[1]["pass_rate"] > told[0]["pass_rate"]
    assert told[1]["high"] - told[1]["low"] < told[0]["high"] - told[0]["low"]
    assert with_it.window("cotton tee").pass_rate >= without.window("cotton tee").pass_rate
    chosen = next_presses(session(experience=learnt), results, 2)
    assert chosen.fit.session.experience == learnt
    assert "our shop" in with_it.describe() and "our shop" not in without.describe()


def test_a_bench_of_another_kind_is_not_held_by_it(learnt):
    """Where the presses say otherwise, the experience is given up."""
    runs = plan(session(), 12, design="latin hypercube", seed=1).runs
    cold = runs.assign(wash=np.where(runs["press temperature"] < 134, 5.0, 1.0))
    fitted = fit(session(experience=learnt), cold)
    assert fitted.experience_share() < 0.5
    assert fitted.window("cotton tee").target["press temperature"] < 135


def test_the_command_line_learns_and_uses(books, folder, capsys):
    out = folder / "cli.json"
    assert main(["learn", *map(str, books[:3]), "--out", str(out), "--name", "cli"]) == 0
    assert "3 logbooks" in capsys.readouterr().out and Experience.load(out).books == 3
    session().save(folder / "plain.toml")
    made = str(folder / "cli.dtfbook")
    asked = ["plan", str(folder / "plain.toml"), made, "--presses", "4"]
    assert main([*asked, "--experience", str(out)]) == 0
    assert "experience expects" in capsys.readouterr().out
    with Logbook.open(made) as book:
        assert book.session.experience == Experience.load(out)
    assert main(["status", made, "--experience", "none"]) == 0
    assert main(["plan", str(folder / "plain.toml"), f"{made}2", "--presses", "4",
                 "--experience", str(books[0])]) == 2  # fmt: skip
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "b0.dtfbook" in said


def test_what_a_noted_change_moved_is_learnt(books, folder):
    """A press that was repaired and runs 10 °C hotter since."""
    path, described = folder / "repaired.dtfbook", session()
    with Logbook.create(path, described) as book:
        for seed, hotter in ((1, 0.0), (2, 10.0)):
            made = plan(described, 8, design="latin hypercube", seed=seed)
            if seed == 2:
                book.bench.changed("press", after_press=8)
                first = dict.fromkeys(("press", "oven_load", "press_round"), 8)
                made = replace(made, runs=made.runs.assign(
                    **{name: made.runs[name] + by for name, by in first.items()}))  # fmt: skip
            book.add(made)
            reached = made.runs.assign(
                **{"press temperature": made.runs["press temperature"] + hotter}
            )
            for row in graded(reached, 5).to_dict("records"):
                book.record(row["press"], grades={"wash": row["wash"]})
    made = learn([path], progress=False)
    assert made.content["moved"]["press"]["books"] == 1
    assert 5.0 < made.content["moved"]["press"]["sd"]["press"] < 14.0
    assert "A change of press moves press" in made.describe()


@pytest.fixture(scope="module")
def begun(learnt, folder, results):
    """A logbook that started from the experience, its five presses graded."""
    described = session(experience=learnt)
    with Logbook.create(folder / "begun.dtfbook", described) as book:
        made = plan(session(), 5, seed=3)
        book.add(made)
        for row in results.to_dict("records"):
            book.record(row["press"], grades={"wash": row["wash"]})
    return folder / "begun.dtfbook"


def test_both_answers_are_given_on_request(learnt, results):
    fitted = fit(session(experience=learnt), results)
    plain = fitted.without_experience()
    told, alone = (f.window("cotton tee") for f in (plain, fit(session(), results)))
    assert (told.target, told.pass_rate, told.low) == (alone.target, alone.pass_rate, alone.low)
    assert plain.without_experience() is plain and plain.experience_share() == 0.0


def test_report_and_card_say_that_it_was_used_and_what_it_changed(begun, folder):
    written = report(begun, folder / "papers")
    page = (folder / "papers" / "report.html").read_text(encoding="utf-8")
    assert "Started from experience (our shop: 6 logbooks" in page
    assert "without it" in page and "with it" in page
    (card,) = [path for path in written if path.suffix == ".pdf"]
    text = " ".join(PdfReader(card).pages[0].extract_text().split())
    assert "Started from experience" in text and "without it" in text
    with Logbook.open(begun) as book:
        book.start_from(None)
        report(book, folder / "plain")
    page = (folder / "plain" / "report.html").read_text(encoding="utf-8")
    assert "Started from experience" not in page


def test_a_rehearsal_plays_benches_like_those_of_the_books(learnt):
    """Drawn benches are best near the learnt place, not near what is usual."""
    rng = np.random.default_rng(1)
    at = pd.DataFrame({"press temperature": [BEST[0], 135.0], "press time": [BEST[1], 8.0]})

    def better_there(described) -> float:
        rates = [
            simulate_bench(described, ["cotton tee"], None, rng).pass_rate(at, "cotton tee")
            for _ in range(24)
        ]
        return float(np.subtract(*np.mean(rates, axis=0)))

    assert better_there(session(experience=learnt)) > 0.2
    assert better_there(session()) < 0.1


@pytest.mark.slow
def test_a_cluster_gives_the_same(books, learnt):
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster),
        joblib.parallel_config(backend="dask"),
    ):
        assert learn(books, name="our shop", jobs=2, progress=False) == learnt
