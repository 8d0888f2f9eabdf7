"""The sample sessions keep to what their own notes say, in every plan."""

from pathlib import Path

import pytest

from dtfexp import Session, next_presses, plan

ROOT = Path(__file__).parents[1]
SAMPLES = (
    "data/example_session.toml",
    "data/example_session_fahrenheit.toml",
    "data/messy_shop_session.toml",
)
PLANS = (("auto", {}), ("latin hypercube", {}), ("d-optimal", {"model": "linear"}))


@pytest.fixture(params=SAMPLES)
def sample(request):
    return Session.load(ROOT / request.param)


@pytest.mark.parametrize(("design", "options"), PLANS)
def test_no_plan_of_a_sample_is_refused_by_its_own_gate(sample, design, options):
    runs = plan(sample, 15, design=design, seed=3, **options).runs
    assert set(runs["fabric"]) == {fabric.name for fabric in sample.fabrics}
    lines = [sample.refusal(row, row["fabric"]) for row in runs.to_dict("records")]
    assert lines == [""] * len(runs)


@pytest.mark.parametrize("path", SAMPLES[:2])
def test_nylon_and_polyester_never_meet_firm_pressure_and_cotton_does(path):
    session = Session.load(ROOT / path)
    runs = plan(session, 30, design="latin hypercube", seed=1).runs
    firm = session.factor("pressure").settings()[-1]
    for name in ("nylon shell", "polyester interlock"):
        assert (
            "firm" in session.fabric(name).notes or "medium pressure" in session.fabric(name).notes
        )
        assert firm not in session.allowed("pressure", name)
        assert firm not in set(runs.loc[runs["fabric"] == name, "pressure"])
    assert firm in session.allowed("pressure", "cotton jersey")


@pytest.mark.parametrize("path", SAMPLES[:2])
def test_each_fabric_has_its_own_usual_inside_the_gate(path):
    session = Session.load(ROOT / path)
    usual = {f.name: session.usual("press temperature", f) for f in session.fabrics}
    assert usual["cotton jersey"] > usual["polyester interlock"] > usual["nylon shell"]
    for fabric in session.fabrics:
        own = fabric.usual.get("press temperature", usual[fabric.name])
        assert own == usual[fabric.name]  # given as it may be set, not moved by the gate


def test_the_next_presses_of_the_sample_keep_to_it_too():
    session = Session.load(ROOT / SAMPLES[0])
    results = plan(session, 15, seed=1).runs
    results["peel"] = [5.0, 4.0, 2.0] * 5
    results["wash"] = [4.0, 3.0, 2.0] * 5
    runs = next_presses(session, results, 6, seed=1).runs
    assert [session.refusal(row, row["fabric"]) for row in runs.to_dict("records")] == [""] * len(
        runs
    )


def test_settings_shown_to_be_copied_make_a_session():
    """The lines that begin with # under "more settings" are a session's lines."""
    text = (ROOT / SAMPLES[0]).read_text(encoding="utf-8")
    above, below = text.split("# --- more settings")
    tables = "\n".join(
        line.removeprefix("# ")
        for line in below.splitlines()
        if line.startswith(("# [[", "# name", "# low", "# high", "# unit", "# step", "# stage",
                            "# levels", "# ordered"))
    )  # fmt: skip
    session = Session.from_toml(
        above.replace("# [pace]", '[pace]\nheated_length = "48 in"') + tables
    )
    names = [factor.name for factor in session.factors]
    assert names[-4:] == ["white ink", "powder grade", "belt speed", "peel warmth"]
    assert session.pace.heated_length == pytest.approx(121.92)
