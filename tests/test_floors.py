"""The house rules that can be read off the source: floors, cycles, files, clocks, size."""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "dtfexp"
FLOORS = {"describe": 1, "maths": 2, "coupon": 2, "dialin": 3, "book": 4, "show": 5, "shop": 6}
#: More than this in one folder is more than one capability.
MOST_MODULES = 15
FILES = sorted(PACKAGE.rglob("*.py"))
# The session's own text file is the one exception to "no file below floor 4".
ONE_FILE_EXCEPTION = "dtfexp.describe.tomltext"
FILE_MODULES = {
    "os", "io", "pathlib", "shutil", "tempfile", "sqlite3", "csv", "openpyxl", "glob", "zipfile",
    "subprocess", "socket", "urllib", "pickle",
}  # fmt: skip
FILE_CALLS = {
    "open", "read_csv", "to_csv", "read_excel", "to_excel", "read_text", "write_text",
    "read_bytes", "write_bytes", "savefig", "print", "input",
}  # fmt: skip
WIDGET_MODULES = {"matplotlib", "ipywidgets", "anywidget", "traitlets", "IPython", "jinja2", "fpdf"}
CLOCK_MODULES = {"time", "datetime", "random"}


def module_of(path):
    parts = list(path.relative_to(ROOT).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(path): path for path in FILES}


def floor_of(module):
    parts = module.split(".")
    if module == "dtfexp.version":
        return 0  # known to all, knows nothing
    return FLOORS[parts[1]] if len(parts) > 1 else max(FLOORS.values()) + 1


@cache
def parsed(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports(path):
    """Every module that a file imports, anywhere in it and for types too, as (module, line)."""
    found = []
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} imports relatively"
            base = node.module
            for alias in node.names:
                whole = f"{base}.{alias.name}"
                found.append((whole if whole in MODULES else base, node.lineno))
        elif (
            isinstance(node, ast.Call)
            and ast.unparse(node.func) in ("import_module", "importlib.import_module", "__import__")
            and path != PACKAGE / "__init__.py"
        ):
            raise AssertionError(f"{path}:{node.lineno} hides an import")
    return found


def below(floor):
    return [module for module in MODULES if floor_of(module) < FLOORS[floor]]


def test_every_module_belongs_to_a_floor():
    assert len(FILES) > 15, "the package was not found"
    for module in MODULES:
        if module not in ("dtfexp", "dtfexp.version"):
            assert module.split(".")[1] in FLOORS, module


def test_imports_only_go_down():
    for module, path in MODULES.items():
        if module == "dtfexp":
            continue  # the contract: it names what the floors hold
        for target, line in imports(path):
            if target.split(".")[0] != "dtfexp":
                continue
            assert target != "dtfexp", f"{module}:{line} imports the contract"
            assert target in MODULES, f"{module}:{line} imports {target}, which is not there"
            assert floor_of(target) <= floor_of(module), f"{module}:{line} imports upward: {target}"


def test_no_cycle():
    graph = {
        module: {t for t, _ in imports(path) if t in MODULES and t != "dtfexp"}
        for module, path in MODULES.items()
        if module != "dtfexp"
    }
    done, trail = set(), []

    def walk(module):
        assert module not in trail, "cycle: " + " -> ".join([*trail, module])
        if module in done:
            return
        trail.append(module)
        for target in sorted(graph[module]):
            walk(target)
        trail.pop()
        done.add(module)

    for module in graph:
        walk(module)


def test_nothing_below_floor_5_draws():
    for module in below("show"):
        drawn = {t.split(".")[0] for t, _ in imports(MODULES[module])} & WIDGET_MODULES
        assert not drawn, f"{module} imports {drawn}"


def test_nothing_below_floor_4_touches_a_file_or_a_clock():
    for module in below("book"):
        if module == ONE_FILE_EXCEPTION:
            continue
        path = MODULES[module]
        text = path.read_text(encoding="utf-8")
        for target, line in imports(path):
            top = target.split(".")[0]
            if text.splitlines()[line - 1].strip() == "from os import PathLike":
                continue  # a type, no file
            assert top not in FILE_MODULES, f"{module}:{line} imports {top}"
            assert top not in CLOCK_MODULES, f"{module}:{line} imports {top}"
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func).split(".")[-1]
                assert called not in FILE_CALLS, f"{module}:{node.lineno} calls {called}"


def test_maths_knows_arrays_only():
    for module in (m for m in MODULES if floor_of(m) == FLOORS["maths"]):
        tops = {target.split(".")[0] for target, _ in imports(MODULES[module])}
        assert not tops & {"pandas", "statsmodels", "tqdm", "tomli_w"}, f"{module} imports {tops}"


def test_no_global_randomness():
    for module, path in MODULES.items():
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.Attribute) and ast.unparse(node.value) in (
                "np.random",
                "numpy.random",
            ):
                allowed = ("Generator", "default_rng", "SeedSequence", "PCG64", "BitGenerator")
                assert node.attr in allowed, f"{module}:{node.lineno} uses np.random.{node.attr}"
        assert "random" not in {target for target, _ in imports(path)}, module


def test_size_docstring_and_no_assert():
    for module, path in MODULES.items():
        text = path.read_text(encoding="utf-8")
        assert len(text.splitlines()) <= 400, f"{module} has {len(text.splitlines())} lines"
        tree = parsed(path)
        assert ast.get_docstring(tree), f"{module} does not say what it is"
        for node in ast.walk(tree):
            assert not isinstance(node, ast.Assert), f"{module}:{node.lineno} uses assert"


FOLDERS = sorted(path.parent for path in PACKAGE.rglob("__init__.py") if path.parent != PACKAGE)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda f: f.relative_to(PACKAGE).as_posix())
def test_a_folder_says_what_it_gives_and_stays_small(folder):
    tree = ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), f"{folder} does not say what it is for"
    for node in tree.body:
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        assert docstring or isinstance(node, ast.Import | ast.ImportFrom), (
            f"{folder}: {node.lineno}"
        )
    modules = [path for path in folder.glob("*.py") if path.stem != "__init__"]
    assert len(modules) <= MOST_MODULES, f"{folder} has {len(modules)} modules"


def test_no_circle_of_folders():
    """Folders of one floor have an order too: none imports one that imports it."""

    def folder_of(module):
        parts = module.split(".")
        return ".".join(parts[:-1] if MODULES[module].stem != "__init__" else parts)

    graph = {}
    for module, path in MODULES.items():
        for target, _ in imports(path):
            if target in MODULES and "dtfexp" not in (module, target):
                graph.setdefault(folder_of(module), set()).add(folder_of(target))
    rank = {}

    def rank_of(folder, trail=()):
        assert folder not in trail, "circle: " + " -> ".join([*trail, folder])
        if folder not in rank:
            below = [f for f in graph.get(folder, ()) if f != folder]
            rank[folder] = 1 + max((rank_of(f, (*trail, folder)) for f in below), default=0)
        return rank[folder]

    for folder in graph:
        rank_of(folder)


def test_nothing_called_utils():
    names = {part for path in FILES for part in path.with_suffix("").parts}
    assert not names & {"utils", "util", "helpers", "misc", "common"}


def test_sobol_points_are_scrambled_and_a_power_of_two():
    """Unscrambled points hold a corner of the range; of another number they are not balanced, which
    scipy warns of and pyproject makes an error."""
    calls = [
        (path, node)
        for path in FILES
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("Sobol")
    ]
    assert len(calls) > 5
    for path, node in calls:
        given = {word.arg: ast.unparse(word.value) for word in node.keywords}
        assert given.get("scramble") == "True", f"{path}:{node.lineno}"
        assert {"seed", "rng"} & set(given), f"{path}:{node.lineno} has no seed"


def test_no_test_file_over_400_lines():
    for path in (ROOT / "tests").rglob("*.py"):
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 400, path


def test_low_discrepancy_points_are_scrambled():
    """That their number is a power of two is held by ``filterwarnings`` in pyproject.toml."""
    made = [
        (path.name, ast.unparse(node))
        for path in FILES
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("Sobol")
    ]
    assert len(made) >= 8
    assert not [call for call in made if "scramble=True" not in call[1]]
