"""Seconds and size of the report for 12 fabrics; the bench and its grades are invented.

Run by name:  python -m tests.bench.bench_report [presses in all, 120]
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from dtfexp import Logbook, Session, plan, report
from tests.dialin.bench import FOUR, graded


def main() -> None:
    """Write one report and say what it took."""
    presses = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    fabrics = tuple(f"fabric {i}" for i in range(12))
    session = Session("twelve", FOUR.factors, FOUR.outcomes, fabrics)
    first = plan(session, presses)
    with tempfile.TemporaryDirectory() as folder:
        with Logbook.create(Path(folder) / "twelve.dtfbook", session) as book:
            book.add(first)
            for row in graded(session, first.runs).itertuples():
                book.record(int(row.press), grades={"peel": row.peel, "wash": row.wash})
            clock, cpu = time.perf_counter(), time.process_time()
            papers = report(book, Path(folder) / "out")
            clock, cpu = time.perf_counter() - clock, time.process_time() - cpu
        size = sum(Path(paper).stat().st_size for paper in papers) / 1e6
    print(f"12 fabrics, {presses} presses: {clock:.0f} s, {cpu:.0f} s of processor, {size:.1f} MB")


if __name__ == "__main__":
    main()
