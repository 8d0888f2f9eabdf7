"""The public contract: its names, their signatures, and that each says what it is."""

import inspect
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import dtfexp

ROOT = Path(__file__).parents[1]
CONTRACT = (
    "Factor", "Outcome", "Fabric", "Session", "SessionError", "ResultsError", "plan", "Plan",
    "next_presses", "fit", "Fit", "Window", "presses_to_confirm", "learn", "Experience", "Logbook",
    "report",
)  # fmt: skip
ERRORS = ("CouponError", "SessionError", "PlanError", "ResultsError", "LogbookError")
CLASSES = {
    "Factor": ("settings", "snap", "format"),
    "Outcome": ("passes", "check", "rank", "grades", "sign"),
    "Fabric": ("limit_in",),
    "Session": ("load", "save", "to_toml", "from_toml", "factor", "outcome", "fabric", "highest"),
    "Fit": ("pass_rate", "window", "describe"),
    "Experience": ("load", "save", "describe"),
    "Logbook": (
        "create", "open", "add", "record", "exclude", "results", "runs", "history", "waiting",
        "export", "import_results", "plans", "backup", "check", "salvage", "restore",
    ),
}  # fmt: skip


def names_and_defaults(function):
    """{name: (kind letter, default)}: P positional, K by name only."""
    letters = {
        inspect.Parameter.POSITIONAL_OR_KEYWORD: "P",
        inspect.Parameter.KEYWORD_ONLY: "K",
    }
    return {
        name: (letters[p.kind], None if p.default is p.empty else p.default)
        for name, p in inspect.signature(function).parameters.items()
        if name != "self" and p.kind in letters
    }


@pytest.mark.parametrize("name", dtfexp.__all__)
def test_every_public_name_is_there_and_says_what_it_is(name):
    value = getattr(dtfexp, name)
    assert value.__name__ == name
    assert value.__doc__ and len(value.__doc__.split()) > 4
    assert getattr(dtfexp, name) is value
    assert name in dir(dtfexp)


def test_the_contract_is_exported():
    assert set(CONTRACT) | set(ERRORS) <= set(dtfexp.__all__)


def test_the_three_lists_of_names_agree():
    """__all__, the lazy table and the TYPE_CHECKING block are one list written three times."""
    source = (ROOT / "dtfexp" / "__init__.py").read_text(encoding="utf-8")
    homes = dtfexp._HOME
    assert set(dtfexp.__all__) == set(homes)
    for name, home in homes.items():
        assert f"from {home} import {name} as {name}" in source


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'Sesion'"):
        dtfexp.Sesion  # noqa: B018


@pytest.mark.parametrize("name", ERRORS)
def test_errors_are_value_errors(name):
    error = getattr(dtfexp, name)
    assert issubclass(error, ValueError) and issubclass(error, dtfexp.DtfexpError)


@pytest.mark.parametrize(
    ("name", "method"), [(name, method) for name, methods in CLASSES.items() for method in methods]
)
def test_methods_say_what_they_do(name, method):
    assert getattr(getattr(dtfexp, name), method).__doc__


def test_signatures_of_the_description():
    factor = names_and_defaults(dtfexp.Factor.__init__)
    assert list(factor)[:9] == [
        "name", "low", "high", "unit", "step", "stage", "hard_to_change", "spread", "usual",
    ]  # fmt: skip
    assert {"levels", "ordered"} <= set(factor)
    outcome = names_and_defaults(dtfexp.Outcome.__init__)
    assert list(outcome)[:7] == ["name", "worst", "best", "accept", "step", "kind", "unit"]
    defaults = [outcome[key][1] for key in list(outcome)[1:7]]
    assert defaults == [1, 5, 4, 1, "graded", ""]
    assert next(iter(names_and_defaults(dtfexp.Fabric.__init__))) == "name"
    session = names_and_defaults(dtfexp.Session.__init__)
    assert list(session)[:4] == ["name", "factors", "outcomes", "fabrics"]


def test_signatures_of_planning_and_fitting():
    assert names_and_defaults(dtfexp.plan) == {
        "session": ("P", None), "presses": ("P", None), "fabrics": ("K", None),
        "design": ("K", "auto"), "seed": ("K", 0),
    }  # fmt: skip
    given = names_and_defaults(dtfexp.next_presses)
    assert list(given)[:3] == ["session", "results", "presses"]
    assert given["fabrics"] == ("K", None) and given["seed"] == ("K", 0)
    assert list(names_and_defaults(dtfexp.fit))[:2] == ["session", "results"]
    assert list(names_and_defaults(dtfexp.Fit.pass_rate))[:2] == ["settings", "fabric"]
    window = names_and_defaults(dtfexp.Fit.window)
    assert window["fabric"] == ("P", None)
    assert window["pass_rate"] == ("K", 0.9) and window["confidence"] == ("K", None)
    assert names_and_defaults(dtfexp.presses_to_confirm) == {
        "pass_rate": ("P", None), "confidence": ("P", None), "failures": ("P", 0),
    }  # fmt: skip


def test_signatures_of_experience():
    given = names_and_defaults(dtfexp.learn)
    assert given["books"] == ("P", None) and given["name"] == ("K", "")
    assert all(kind == "K" for name, (kind, _) in given.items() if name != "books")
    for method in ("load", "save"):
        assert "path" in names_and_defaults(getattr(dtfexp.Experience, method))
    assert names_and_defaults(dtfexp.Session.__init__)["experience"] == ("K", None)


def test_signature_of_the_coupon_artwork():
    given = names_and_defaults(dtfexp.coupon_artwork)
    given.pop("progress")
    assert given == {
        "book": ("P", None), "out": ("P", None), "presses": ("K", None), "fabrics": ("K", None),
        "halves": ("K", False), "dpi": ("K", 300), "film_width": ("K", None),
        "mirror": ("K", False),
    }  # fmt: skip


def test_signatures_of_logbook_and_report():
    record = names_and_defaults(dtfexp.Logbook.record)
    assert next(iter(record)) == "press" and record["defects"][1] == ()
    assert {"grades", "actual", "note", "by"} <= set(record)
    assert list(names_and_defaults(dtfexp.Logbook.create))[:2] == ["path", "session"]
    assert hasattr(dtfexp.Logbook, "__enter__") and hasattr(dtfexp.Logbook, "__exit__")
    report = names_and_defaults(dtfexp.report)
    assert list(report)[:2] == ["book_or_path", "out"]
    assert report["fabrics"] == ("K", None) and report["unit"] == ("K", None)


HEAVY = (
    "numpy", "pandas", "scipy", "statsmodels", "matplotlib", "pyDOE3", "anywidget", "ipywidgets",
    "IPython", "jinja2", "fpdf", "openpyxl", "tqdm", "sqlite3", "jupyterlab",
)  # fmt: skip


@pytest.mark.parametrize(
    "statement",
    [
        "import dtfexp",
        "import dtfexp.describe.session",
        "from dtfexp import Session; Session.load('data/example_session.toml').to_toml()",
    ],
)
def test_importing_stays_quick(statement):
    """What is not loaded takes no time; a stopwatch would only measure the machine."""
    code = f"import sys; {statement}; print(*sorted({{m.split('.')[0] for m in sys.modules}}))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.split())
    assert "dtfexp" in loaded and not loaded & set(HEAVY)


def test_star_import_gives_the_contract():
    code = "from dtfexp import *; print(Factor, Session, plan, fit, report)"
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True)


def test_every_dependency_is_explained_to_developers():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for requirement in [*project["dependencies"], *project["optional-dependencies"]["test"]]:
        name = requirement.split(">")[0].split("=")[0].strip()
        assert f"`{name}`" in text, f"DEVELOPERS.md does not say why {name} is here"


def test_the_page_for_python_names_every_public_name():
    text = (ROOT / "dtfexp" / "PYTHON.md").read_text(encoding="utf-8")
    for name in CONTRACT:
        assert name in text, f"PYTHON.md never mentions {name}"
