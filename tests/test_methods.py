"""METHODS.md and GLOSSARY.md: what they name is there, and what was recomputed for them."""

import ast
import importlib
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from pyDOE3 import bbdesign

import dtfexp
from dtfexp.describe import units
from dtfexp.dialin.design import quadratics
from dtfexp.dialin.encode import machine_spread
from dtfexp.dialin.evaluate.aliasing import alias_matrix
from dtfexp.maths.designs import classical
from dtfexp.maths.field.input_noise import quality_loss_and_variance

HOME = Path(dtfexp.__file__).parent
METHODS, GLOSSARY = (
    (HOME / name).read_text(encoding="utf-8") for name in ("METHODS.md", "GLOSSARY.md")
)
MODULES = [m.name for m in pkgutil.walk_packages([str(HOME)], "dtfexp.")]
NAMED = sorted(set(re.findall(r"`([A-Za-z]\w*(?:\.\w+)+)`", METHODS + GLOSSARY)))
NUMBERED = [int(n) for n in re.findall(r"\\qquad \((\d+)\) ?\$\$", METHODS)]


def found(dotted):
    """Whether some module of the package of that name holds what is named after it."""
    first, *rest = dotted.split(".")
    for name in MODULES:
        if name.split(".")[-1] == first and _holds(importlib.import_module(name), rest):
            return True
    return False


def _holds(owner, names):
    for name in names:
        if name in getattr(owner, "__dataclass_fields__", {}):
            return name == names[-1]
        if not hasattr(owner, name):
            return False
        owner = getattr(owner, name)
    return True


def _steps():
    """The docstring of each function and class that a section of the method names."""
    named = set(re.findall(r"`([a-z]\w*(?:\.\w+)+)`", METHODS.split("\n## 18 ")[0]))
    kinds = (ast.ClassDef, ast.FunctionDef)
    for path in HOME.rglob("*.py"):
        around = [(path.stem, ast.parse(path.read_text(encoding="utf-8")))]
        while around:
            name, node = around.pop()
            around += [(f"{name}.{n.name}", n) for n in node.body if isinstance(n, kinds)]
            if name in named and not isinstance(node, ast.Module):
                yield name, ast.get_docstring(node) or ""


def test_each_step_of_the_method_names_its_equation_or_section():
    steps = list(_steps())
    assert len(steps) > 120
    silent = [name for name, said in steps if not re.search(r"METHODS\.md,\s", said)]
    assert not silent


@pytest.mark.parametrize("name", [n for n in NAMED if not n.endswith(".md")])
def test_what_is_named_is_there(name):
    assert found(name), f"{name} is in no module of the package"


def test_equations_are_numbered_in_order():
    assert len(NUMBERED) > 30 and list(range(1, len(NUMBERED) + 1)) == NUMBERED
    for first, last in re.findall(r"\((\d\d?)\)(?:–\((\d\d?)\))?", METHODS + GLOSSARY):
        assert all(int(n) in NUMBERED for n in (first, last) if n), (first, last)


def test_docstrings_name_equations_that_are_there():
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef)
    for path in HOME.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        told = [ast.get_docstring(node) or "" for node in ast.walk(tree) if isinstance(node, kinds)]
        for said in re.findall(r"METHODS\.md, equations?\s+([^.]*)", " ".join(told)):
            numbers = [int(n) for n in re.findall(r"\((\d+)\)", said)]
            assert numbers and set(numbers) <= set(NUMBERED), (path.name, said)


def test_what_rests_on_memory_is_listed_by_module():
    table = METHODS.split('marked "from memory"')[1]
    marked = {
        path.stem
        for path in HOME.rglob("*.py")
        if re.search(r"from\s+memory|[ (]memory\)", path.read_text(encoding="utf-8"), re.IGNORECASE)
    }
    assert len(marked) > 25
    first = {line.split("|")[1] for line in table.splitlines() if line.startswith("| `")}
    listed = {name.split(".")[0] for cell in first for name in re.findall(r"`([\w.]+)`", cell)}
    assert listed == marked


def test_what_a_dataclass_describes_it_has():
    classes = {
        value
        for name in MODULES
        for value in vars(importlib.import_module(name)).values()
        if hasattr(value, "__dataclass_fields__") and isinstance(value, type)
    }
    assert len(classes) > 100
    lost = [
        f"{one.__module__}.{one.__name__}: {word}"
        for one in classes
        for word in re.findall(r"``([a-z_]+)``(?: \([^)]*\))?: ", one.__doc__ or "")
        if not hasattr(one, word) and word not in one.__dataclass_fields__
    ]
    assert not lost


@pytest.mark.parametrize("lean, peak", [(0.0, 3.0), (0.5, 2.1), (-1.2, 4.0)])
def test_three_points_have_the_four_moments(lean, peak):
    sd, input_noise = 0.7, np.array([[[0.49, lean, peak, 1.0]]])
    means = [
        -quality_loss_and_variance(lambda f, r=r: f**r, np.zeros((1, 1)), input_noise)[0].item()
        for r in (1, 2, 3, 4)
    ]
    assert means == pytest.approx([0.0, sd**2, lean * sd**3, peak * sd**4], abs=1e-12)


def test_five_places_are_exact_to_degree_nine():
    nodes = machine_spread.spread_nodes(type("Machine", (), {"spots": (), "spread": 1.0})())
    off = [
        machine_spread.SPREAD_WEIGHTS @ nodes**d - (0.0 if d % 2 else 1.0 / (d + 1))
        for d in range(11)
    ]
    assert off[:10] == pytest.approx([0.0] * 10, abs=1e-12) and abs(off[10]) > 1e-4


def test_a_pound_on_a_square_inch():
    # The international pound (1959), standard gravity (CGPM 1901), the inch: exact by definition.
    assert units.convert(1.0, "psi", "kPa") == pytest.approx(
        0.45359237 * 9.80665 / 0.0254**2 / 1000, rel=1e-12
    )


@pytest.mark.parametrize("k", [6, 7])
def test_box_behnken_triples(k):
    made = classical.box_behnken(k, 1)[:-1]
    squares = [made[:, i] * made[:, j] for i in range(k) for j in range(i, k)]
    x = np.column_stack([np.ones(len(made) + 1), np.vstack([made, np.zeros(k)]),
                         np.vstack([np.array(squares).T, np.zeros(len(squares))])])  # fmt: skip
    assert len(made) == 8 * k and np.linalg.matrix_rank(x) == x.shape[1]
    assert set(np.abs(made).sum(axis=0)) == {24.0} and set(np.abs(made).sum(axis=1)) == {3.0}


@pytest.mark.parametrize("k", [3, 4, 5, 6, 7])
def test_box_behnken_centres_beside_another_library(k):
    theirs = int((np.abs(bbdesign(k)).sum(axis=1) == 0).sum())
    assert quadratics._BEHNKEN_CENTRES[k] == theirs


def test_the_alias_matrix_by_hand():
    # Half of 2^3 with C = AB: A carries BC once, B carries AC, C carries AB, the mean ABC.
    a, b = np.array([-1.0, 1, -1, 1]), np.array([-1.0, -1, 1, 1])
    c = a * b
    x = np.column_stack([np.ones(4), a, b, c])
    assert alias_matrix(x, np.column_stack([b * c, a * c, a * b])) == pytest.approx(
        np.eye(4)[:, 1:]
    )


def test_every_benchmark_that_is_named_can_be_started():
    """Their imports alone: in a process of their own, as they set limits for all of it."""
    root = Path(__file__).parents[1]
    told = METHODS + (root / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = sorted(set(re.findall(r"-m (tests\.bench\.\w+)", told)))
    assert len(named) > 10
    asked = f"import importlib\nfor name in {named}: importlib.import_module(name)"
    done = subprocess.run(
        [sys.executable, "-c", asked], cwd=root, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
