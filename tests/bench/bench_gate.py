"""Every plan family and everything that follows a fit, over many drawn sessions and limits.

Run from the root of the project: ``python -m tests.bench.bench_gate [EXAMPLES]``. Fails at the
first proposal past the heat gate, a range or what is forbidden, and prints the session.
"""

from __future__ import annotations

import sys

from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from dtfexp.dialin.design.plan import DESIGNS
from tests.dialin.drawn_sessions import COTTON, NYLON, Drawn, drawn
from tests.dialin.test_gate import press_all, work_through


def main(examples: int) -> None:
    """All designs on ten times as many sessions as are fitted and worked through."""
    often = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)

    @seed(1)
    @settings(often, max_examples=10 * examples)
    @given(drawn(), st.sampled_from(DESIGNS), st.sampled_from([None, 0.3, 1.0]))
    def plans(one: Drawn, design: str, reach: float | None) -> None:
        compact = design in ("auto", "latin hypercube") or design.endswith("optimal")
        press_all(one, design, 30 if compact else 150, reach)

    @seed(2)
    @settings(often, max_examples=examples)
    @given(drawn())
    def fits(one: Drawn) -> None:
        work_through(one, (COTTON, NYLON), batch=6)

    for test in (plans, fits):
        test()
        print(f"{test.__name__}: nothing past the gate")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
