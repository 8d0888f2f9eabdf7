"""The papers of one logbook are the same bytes, whichever processor did the sums.

OpenBLAS takes other kernels for other processors, whose sums differ in the last digits; the
variable ``OPENBLAS_CORETYPE`` chooses them (OpenBLAS, "Runtime variables"; from memory).
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from dtfexp import Factor, Logbook, Outcome, Session, plan
from tests.dialin.bench import graded

#: Old kernels of two lanes, and newer ones of four with fused products.
PROCESSORS = ("Nehalem", "Haswell")
PAPERS = """
import sys
from threadpoolctl import threadpool_info
from dtfexp import Logbook, report
book, out = sys.argv[1:]
report(book, out)
with Logbook.open(book) as opened:
    opened.export(out)
print(*sorted({x["architecture"] for x in threadpool_info() if x["internal_api"] == "openblas"}))
"""


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, bytes]]:
    """All that is written of one small book, by name, for both processors."""
    folder = tmp_path_factory.mktemp("processors")
    press = Factor("press temperature", 290, 330, "°F", usual=310, step=5, spread=4)
    dwell = Factor("press time", 8, 20, "s", usual=15, spread=1)
    session = Session("two", [press, dwell], [Outcome("peel")], ["jersey"])
    with Logbook.create(folder / "b.dtfbook", session) as book:
        book.add(first := plan(session, 12))
        for row in graded(session, first.runs).itertuples():
            book.record(int(row.press), {"peel": row.peel})
    running = [
        subprocess.Popen(
            [sys.executable, "-c", PAPERS, str(folder / "b.dtfbook"), str(folder / name)],
            env=os.environ | {"OPENBLAS_CORETYPE": name, "LOKY_MAX_CPU_COUNT": "1"},
            stdout=subprocess.PIPE, text=True,
        )
        for name in PROCESSORS
    ]  # fmt: skip
    told = [one.communicate()[0].strip() for one in running]
    assert [one.returncode for one in running] == [0, 0]
    if told != list(PROCESSORS):
        pytest.skip(f"one set of kernels here, or another library than OpenBLAS: {told}")
    return [
        {
            path.name: path.read_bytes()
            for path in sorted((folder / name).iterdir())
            if path.is_file()
        }
        for name in PROCESSORS
    ]


@pytest.mark.slow
def test_papers_are_the_same_bytes_on_every_processor(papers: list[dict[str, bytes]]) -> None:
    one, other = papers
    for name in ("report.html", "card-jersey.pdf", "windows.json", "windows.csv", "results.xlsx"):
        assert name in one
    assert [name for name in one if one[name] != other[name]] == []
    assert list(one) == list(other)


@pytest.mark.slow
def test_the_sums_themselves_differ(papers: list[dict[str, bytes]]) -> None:
    """Else the papers would prove nothing."""
    code = (
        "import numpy as np; x = np.random.default_rng(0).normal(size=(60, 60));"
        "print((x @ x).sum(axis=0).tobytes().hex())"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", code], env=os.environ | {"OPENBLAS_CORETYPE": name},
            capture_output=True, check=True,
        ).stdout
        for name in PROCESSORS
    }  # fmt: skip
    assert len(seen) == 2
