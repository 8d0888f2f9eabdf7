"""Mutants of the modules that decide for the user: how many does each room's own tests kill?

    nice .venv/bin/python -m tests.bench.mutants [module ...] [--sample N] [--seed S]

Small faults are put into a sample of places (a comparison flipped, a number moved, plus for minus,
a condition turned round, "and" for "or", a return lost), one at a time and in memory only; a mutant
is killed when a test fails or takes far too long.  Each runs in a forked process of its own, so on
Linux and macOS only.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.util
import os
import random
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path

# Loaded once for all: the processes forked from here need not.
import hypothesis  # noqa: F401
import pytest

TESTS = {
    "dtfexp.describe.heat": ["tests/describe/test_heat.py"],
    "dtfexp.describe.calibration": ["tests/describe/test_heat.py"],
    "dtfexp.maths.control.acceptance": ["tests/maths/test_acceptance.py"],
    "dtfexp.maths.control.cusum": ["tests/maths/test_cusum.py"],
    "dtfexp.maths.boxes.box": ["tests/maths/test_box.py"],
    "dtfexp.maths.acquisition.batch_acquisition": ["tests/maths/test_lookahead.py"],
    "dtfexp.maths.acquisition.probit_margin": ["tests/maths/test_margins.py"],
    "dtfexp.maths.linear.variance_components": [
        "tests/maths/test_lenth.py",
        "tests/dialin/test_anova_crossings.py",
        "tests/dialin/test_anova.py",
    ],
    "dtfexp.dialin.confirm.terms": ["tests/dialin/test_terms.py"],
    "dtfexp.dialin.explain.term_selection": ["tests/dialin/test_term_selection.py"],
    "dtfexp.dialin.window.window_box": [
        "tests/dialin/test_box_edges.py",
        "tests/dialin/test_window_box.py",
    ],
    "dtfexp.dialin.window.stand": [
        "tests/dialin/test_standing.py",
        "tests/dialin/test_window_box.py",
    ],
    "dtfexp.dialin.window.lines": [
        "tests/dialin/test_standing.py",
        "tests/dialin/test_window_box.py",
    ],
    "dtfexp.dialin.window.demand": [
        "tests/dialin/test_standing.py",
        "tests/dialin/test_window_box.py",
    ],
    "dtfexp.dialin.window.located": [
        "tests/dialin/test_window_box.py",
        "tests/dialin/test_window_asked.py",
    ],
    "dtfexp.dialin.window.best_known": ["tests/dialin/test_best_known.py"],
    "dtfexp.dialin.window.facts": [
        "tests/dialin/test_window_box.py",
        "tests/dialin/test_window_asked.py",
    ],
    "dtfexp.dialin.window.find_window": [
        "tests/dialin/test_best_known.py",
        "tests/dialin/test_window_box.py",
        "tests/dialin/test_window_asked.py",
    ],
    "dtfexp.dialin.following.candidates": ["tests/dialin/test_next_presses.py"],
    "dtfexp.dialin.following.need": ["tests/dialin/test_need.py"],
    "dtfexp.dialin.following.batch": [
        "tests/dialin/test_need.py",
        "tests/dialin/test_next_presses.py",
    ],
    "dtfexp.dialin.following.next_presses": ["tests/dialin/test_next_presses.py"],
    "dtfexp.dialin.following.likely_window": ["tests/dialin/test_next_presses.py"],
    "dtfexp.maths.inference.measured_units": ["tests/dialin/test_measured_scale.py"],
    "dtfexp.dialin.encode.doubtful": ["tests/dialin/test_doubtful.py"],
    "dtfexp.maths.propagation.tilted": [
        "tests/maths/test_ep.py",
        "tests/maths/test_luck_in_likelihood.py",
        "tests/maths/test_ceiling.py",
    ],
    "dtfexp.coupon.grades": ["tests/coupon/test_grades.py"],
    "dtfexp.coupon.proposals": ["tests/coupon/test_proposals.py"],
    "dtfexp.maths.linear.normal_hierarchy": ["tests/maths/test_normal_hierarchy.py"],
    "dtfexp.dialin.experience.learnt_prior": [
        "tests/dialin/test_learnt_parts.py",
        "tests/dialin/test_experience.py",
    ],
    "dtfexp.dialin.experience.learnt_moments": [
        "tests/dialin/test_learnt_parts.py",
        "tests/dialin/test_experience.py",
    ],
    "dtfexp.dialin.experience.moves": [
        "tests/dialin/test_learnt_parts.py",
        "tests/dialin/test_experience.py",
    ],
    "dtfexp.dialin.experience.shared_settings": [
        "tests/dialin/test_learnt_parts.py",
        "tests/dialin/test_experience.py",
    ],
}
LONGEST = 240
FLIPS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or,
    ast.Or: ast.And,
}  # fmt: skip


def _mutated(node: ast.AST) -> ast.AST | None:
    """The node with a fault in it; None where there is none to make."""
    new = copy.deepcopy(node)
    if isinstance(new, ast.Compare) and type(new.ops[0]) in FLIPS:
        new.ops[0] = FLIPS[type(new.ops[0])]()
    elif isinstance(new, (ast.BinOp, ast.BoolOp)) and type(new.op) in FLIPS:
        new.op = FLIPS[type(new.op)]()
    elif isinstance(new, ast.Constant) and type(new.value) in (int, float):
        new.value = new.value + 1 if type(new.value) is int else 1.5 * new.value + 0.1
    elif isinstance(new, ast.If) and ast.unparse(new.test) == "TYPE_CHECKING":
        return None  # decides nothing at run time
    elif isinstance(new, (ast.If, ast.IfExp)):
        new.test = ast.UnaryOp(ast.Not(), new.test)
    elif isinstance(new, ast.Return) and ast.unparse(new) not in ("return", "return None"):
        new.value = ast.Constant(None)
    else:
        return None
    return ast.fix_missing_locations(new)


def places(tree: ast.Module) -> list[tuple[ast.AST, str, int | None]]:
    """(parent, field, index) of every node that can have a fault, annotations left alone."""
    found = []
    for parent in ast.walk(tree):
        for field, value in ast.iter_fields(parent):
            if field in ("annotation", "returns", "decorator_list", "type_comment"):
                continue
            for k, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
                if isinstance(child, ast.AST) and _mutated(child) is not None:
                    found.append((parent, field, k))
    return found


class _Loader(importlib.abc.MetaPathFinder, importlib.abc.InspectLoader):
    """Gives the mutated code of one module instead of its file."""

    def __init__(self, name: str, path: str, tree: ast.Module) -> None:
        self.name, self.path, self.code = name, path, compile(tree, path, "exec")

    def find_spec(self, name, path=None, target=None):  # type: ignore[no-untyped-def]
        if name == self.name:
            return importlib.util.spec_from_loader(name, self, origin=self.path)
        return None

    def get_source(self, name: str) -> str:
        return Path(self.path).read_text(encoding="utf-8")

    def get_code(self, name: str):  # type: ignore[no-untyped-def]
        return self.code


def lived(loader: _Loader | None, tests: list[str], seconds: float) -> bool:
    """Whether the tests pass within ``seconds``, in a process of their own.

    All that they start ends with them.
    """
    child = os.fork()
    if not child:
        status = int(pytest.ExitCode.INTERNAL_ERROR)
        try:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            os.setsid()
            out = os.open(os.devnull, os.O_WRONLY)
            os.dup2(out, 1), os.dup2(out, 2)
            if loader is not None:
                sys.meta_path.insert(0, loader)
            status = int(
                pytest.main([*tests, "-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"])
            )
        finally:
            # Whatever happened: a child that went on from here would try mutants of its own.
            os._exit(status)
    end = time.monotonic() + seconds
    done = status = 0
    try:
        while not done and time.monotonic() < end:
            done, status = os.waitpid(child, os.WNOHANG)
            time.sleep(0.05)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL)
    if not done:
        os.waitpid(child, 0)
        return False
    code = os.waitstatus_to_exitcode(status)
    if code in (pytest.ExitCode.USAGE_ERROR, pytest.ExitCode.NO_TESTS_COLLECTED):
        raise SystemExit(f"{' '.join(tests)}: pytest ran no test (exit code {code})")
    return code == 0


def main() -> None:
    """Try a sample of mutants of each module and print those that lived."""
    asked = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    asked.add_argument("modules", nargs="*", help="default: all of TESTS")
    asked.add_argument("--sample", type=int, default=12)
    asked.add_argument("--seed", type=int, default=0)
    told = asked.parse_args()
    # Ended from outside, it ends its child too.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("ended"))
    killed = tried = 0
    for name in told.modules or TESTS:
        path = Path(*name.split(".")).with_suffix(".py")
        source = path.read_text(encoding="utf-8")
        count = len(places(ast.parse(source)))
        picked = random.Random(told.seed).sample(range(count), min(told.sample, count))
        start = time.monotonic()
        if not lived(None, TESTS[name], LONGEST):
            raise SystemExit(f"{name}: its tests fail without a mutant")
        longest = min(LONGEST, 20 + 10 * (time.monotonic() - start))
        left = []
        for place in sorted(picked):
            tree = ast.parse(source)
            parent, field, k = places(tree)[place]
            value = getattr(parent, field)
            old = value if k is None else value[k]
            new = _mutated(old)
            if k is None:
                setattr(parent, field, new)
            else:
                value[k] = new
            was, now = (ast.unparse(node).split("\n")[0] for node in (old, new))
            tried += 1
            if lived(_Loader(name, str(path), tree), TESTS[name], longest):
                left.append(f"  line {old.lineno}: {was}  ->  {now}")
            else:
                killed += 1
        print(f"{name}: {len(picked) - len(left)} of {len(picked)} killed", *left, sep="\n")
        sys.stdout.flush()
    print(f"{killed} of {tried} killed ({100 * killed / max(tried, 1):.0f} %)")


if __name__ == "__main__":
    main()
