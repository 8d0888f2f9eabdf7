"""A rehearsal: the whole session played on simulated benches before the first press.

Each bench is drawn from the prior, or from a fit so far, pressed in batches by plan and next
presses, graded and fitted, and the resulting window is compared with the known truth.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.session import Session
from dtfexp.dialin.design.plan import Plan, plan, pressable, whole_presses, whole_seed
from dtfexp.dialin.fit import Fit, fit
from dtfexp.dialin.following.next_presses import next_presses
from dtfexp.dialin.rehearse.rehearsal_summary import (
    RehearsalSummary,
    Rehearsed,
    so_far,
    summary,
    table,
)
from dtfexp.dialin.rehearse.simulated_bench import SimulatedBench, box_size, simulate_bench
from dtfexp.maths.inference.single_thread import SINGLE_THREAD

if TYPE_CHECKING:
    from dtfexp.dialin.window.window import Window

MOST_REHEARSALS = 10_000
# More batches, each like the last of the schedule, to say what they would add.
MORE_BATCHES = 2
# The first rehearsals leave them out: a first answer comes soon.
QUICK = 2


@dataclass(frozen=True, eq=False, repr=False)
class Rehearsal(Rehearsed):
    """The result of the rehearsals.

    ``rehearsed``: one row per rehearsal and fabric: ``rehearsal``; ``fabric``; ``has_window`` (a
    box of set-points truly keeps the pass rate, twice the spread wide in every setting);
    ``true_size`` (of the largest such box: product of its widths in multiples of spread);
    ``found``; ``found_with_more`` (1 or 0: after two more batches like the last, NaN where these
    were not played); ``size`` (of the recommended box); ``box_good`` (share of the box that truly
    keeps the rate); ``target_true`` and ``target_stated`` (pass rate at the target); ``presses``
    made in this rehearsal for all its fabrics, ``batches``, ``stopped`` (before the end of the
    schedule), ``hours``, ``garments``, ``film`` (m²). ``widths``: one row per rehearsal, fabric and
    ranged setting where a window was found: ``width`` in the setting's unit.
    """

    @property
    def table(self) -> pd.DataFrame:
        """Return one row per fabric: counts of rehearsals, and means.

        ``rehearsals``; ``with_window`` (benches that have one); ``found`` (among those);
        ``windows`` (found on any bench); ``false`` (of those, the target is truly below the pass
        rate); ``size_share`` (sizes found over true sizes, summed over the benches that have a
        window); ``box_good``; ``target_true``, ``target_stated`` (means over windows found).
        """
        return table(self)

    @property
    def summary(self) -> RehearsalSummary:
        """Return the table and plain sentences."""
        return summary(self)

    def __repr__(self) -> str:
        return self.summary.text()

    def _repr_html_(self) -> str:
        return self.summary.html()


@dataclass(frozen=True)
class _Request:
    """The common arguments of all rehearsals, sent to the workers."""

    session: Session
    schedule: tuple[int, ...]
    names: tuple[str, ...]
    start: Fit | None
    pass_rate: float
    confidence: float | None


@dataclass(frozen=True)
class _Row:
    rehearsal: int
    fabric: str
    has_window: bool
    true_size: float
    found: bool
    found_with_more: float
    size: float
    box_good: float
    target_true: float
    target_stated: float
    presses: int
    batches: int
    stopped: bool
    hours: float
    garments: int
    film: float


_Outcome = tuple[list[_Row], list[tuple[int, str, str, float]]]


def rehearse(
    session: Session,
    schedule: int | Iterable[int] = (10, 4, 4),
    *,
    rehearsals: int = 20,
    fabrics: Iterable[str | Fabric] | None = None,
    start: Fit | None = None,
    pass_rate: float = 0.90,
    confidence: float | None = None,
    jobs: int = -1,
    seed: int = 0,
    progress: bool = True,
) -> Rehearsal:
    """Play the session on simulated benches, to see whether the presses suffice and their cost.

    ``schedule``: presses of each batch; ``fabrics``: of the session (default all); ``start``: a fit
    of this session, to rehearse its remainder (default: benches are drawn from its priors, its
    experience included; every rehearsal is fitted under the default ones); ``pass_rate``,
    ``confidence``: those of :meth:`dtfexp.Fit.window`; ``jobs``: number in parallel, -1 for all
    cores; ``progress``: a bar on stderr, and the answer so far after 1, 2, 4, 8 …
    benches. An interrupt (Ctrl-C) keeps the rehearsals that are done. The same arguments give the
    same result for any number of jobs. Inside ``joblib.parallel_config(backend="dask")`` the
    rehearsals run on the Dask cluster of the current client (give its workers one thread each).
    Raises ``PlanError`` in one line.
    """
    asked = _checked(session, schedule, fabrics, start, pass_rate, confidence)
    count = fields.whole_number(rehearsals, "rehearse", "rehearsals", 1, MOST_REHEARSALS, PlanError)
    if isinstance(jobs, bool) or not isinstance(jobs, (int, np.integer)) or jobs == 0:
        raise fields.refusal("jobs", jobs, "a whole number, or -1 for all cores", PlanError)
    seeds = np.random.SeedSequence(whole_seed(seed)).spawn(count)
    rows: list[_Row] = []
    widths: list[tuple[int, str, str, float]] = []
    try:
        for some_rows, some_widths in _rehearsals(asked, seeds, int(jobs), progress):
            rows += some_rows
            widths += some_widths
    except KeyboardInterrupt:
        # What is known by then is an answer, only a rougher one.
        if not rows:
            raise
    return Rehearsal(
        session,
        asked.schedule,
        asked.pass_rate,
        asked.confidence,
        0 if start is None else len(start.results),
        count,
        pd.DataFrame([asdict(row) for row in rows]),
        pd.DataFrame(widths, columns=["rehearsal", "fabric", "setting", "width"]),
    )


def _rehearsals(
    request: _Request, seeds: list[np.random.SeedSequence], jobs: int, progress: bool
) -> Iterator[_Outcome]:
    """Yield every rehearsal in order, as it completes; the bar says what was found so far."""
    from joblib import Parallel, delayed
    from tqdm import tqdm

    work = Parallel(n_jobs=jobs, return_as="generator", pre_dispatch="2*n_jobs")(
        delayed(rehearse_once)(request, number, seed) for number, seed in enumerate(seeds, start=1)
    )
    found, hours, garments = dict.fromkeys(request.names, 0), 0.0, 0
    with tqdm(total=len(seeds), desc="rehearsing", delay=1.0, disable=not progress,
              leave=False) as bar:  # fmt: skip
        if progress:
            bar.write(
                f"Playing {len(seeds)} drawn benches: the first answer in about 20 s, better ones "
                "after it. Ctrl-C stops and keeps what is known.",
                file=sys.stderr,
            )
        for done, (rows, widths) in enumerate(work, start=1):
            for row in rows:
                found[row.fabric] += row.found
            hours, garments = hours + rows[0].hours, garments + rows[0].garments
            bar.update()
            if progress and done < len(seeds) and done & (done - 1) == 0:
                bar.write(so_far(found, done, hours, garments), file=sys.stderr)
            yield rows, widths


def rehearse_once(request: _Request, number: int, seed: np.random.SeedSequence) -> _Outcome:
    """Play one rehearsal from its own seed."""
    # One thread makes every run equal to a serial one and avoids oversubscription.
    with SINGLE_THREAD:
        rng = np.random.default_rng(seed)
        bench = simulate_bench(request.session, list(request.names), request.start, rng)
        start = None if request.start is None else request.start.results
        plans, results = _simulated_results(request, request.schedule, start, bench, rng)
        rows, widths = _scored(request, number, bench, plans, fit(request.session, results))
        if number <= QUICK:
            return rows, widths
        more = (request.schedule[-1],) * MORE_BATCHES
        further, results = _simulated_results(request, more, results, bench, rng)
        # No further press: the windows stay as they are.
        after = fit(request.session, results) if further else None
        return [
            replace(row, found_with_more=float(_window(request, after, row.fabric).found))
            if after is not None
            else replace(row, found_with_more=float(row.found))
            for row in rows
        ], widths


def _window(request: _Request, fitted: Fit, fabric: str) -> Window:
    return fitted.window(fabric, pass_rate=request.pass_rate, confidence=request.confidence)


def _simulated_results(
    request: _Request,
    schedule: tuple[int, ...],
    results: pd.DataFrame | None,
    bench: SimulatedBench,
    rng: np.random.Generator,
) -> tuple[list[Plan], pd.DataFrame]:
    """Return the pressed batches of a schedule, and all results with the ``results`` before."""
    plans: list[Plan] = []
    for count in schedule:
        seed = int(rng.integers(2**31))
        if results is None:
            batch = plan(request.session, count, fabrics=request.names, seed=seed)
        else:
            batch = next_presses(request.session, results, count, fabrics=request.names, seed=seed)
        if not len(batch):
            break
        plans.append(batch)
        graded = bench.press(batch.runs, rng)
        earlier = [] if results is None or not len(results) else [results]
        results = pd.concat([*earlier, graded], ignore_index=True)
    if results is None:
        raise PlanError("schedule: nothing was planned")
    return plans, results


def _scored(
    request: _Request, number: int, bench: SimulatedBench, plans: list[Plan], fitted: Fit
) -> _Outcome:
    costs = [made.cost() for made in plans]
    rows: list[_Row] = []
    widths: list[tuple[int, str, str, float]] = []
    for name in request.names:
        true = bench.window(name, request.pass_rate)
        window = _window(request, fitted, name)
        low, high = window.low, window.high
        size, good = 0.0, float("nan")
        if low is not None and high is not None:
            size = box_size(request.session, low, high)
            good = bench.good_share(name, low, high, request.pass_rate)
            widths += [
                (number, name, f.name, float(high[f.name] - low[f.name]))
                for f in request.session.factors
                if f.is_numeric
            ]
        target = pd.DataFrame([window.target])
        rows.append(
            _Row(
                rehearsal=number,
                fabric=name,
                has_window=true is not None,
                true_size=0.0 if true is None else true.size,
                found=window.found,
                found_with_more=float("nan"),
                size=size,
                box_good=good,
                target_true=float(bench.pass_rate(target, name)[0]),
                target_stated=window.pass_rate,
                presses=sum(len(made) for made in plans),
                batches=len(plans),
                stopped=len(plans) < len(request.schedule),
                hours=sum(c.hours for c in costs),
                garments=sum(sum(c.garments.values()) for c in costs),
                film=sum(c.film.area for c in costs),
            )
        )
    return rows, widths


def _checked(
    session: Session,
    schedule: int | Iterable[int],
    fabrics: Iterable[str | Fabric] | None,
    start: Fit | None,
    pass_rate: float,
    confidence: float | None,
) -> _Request:
    several = isinstance(schedule, Iterable) and not isinstance(schedule, str)
    batches: list[Any] = list(schedule) if several else [schedule]  # type: ignore[arg-type]
    if not batches:
        raise PlanError("schedule is empty; give the presses of each batch, such as (10, 4, 4)")
    for name, value in (("pass_rate", pass_rate), ("confidence", confidence)):
        if name == "confidence" and value is None:
            continue  # every set-point of a window is expected to pass so often
        if not isinstance(value, (int, float)) or not 0.0 < value < 1.0:
            raise fields.refusal(name, value, "a number between 0 and 1, such as 0.90", PlanError)
    if start is not None and not isinstance(start, Fit):
        raise PlanError(f"start is a {type(start).__name__}; give a fit of the results so far")
    if start is not None and start.session != session:
        raise PlanError(f"start is a fit of {start.session.name!r}; give one of this session")
    return _Request(
        session,
        tuple(whole_presses(count) for count in batches),
        tuple(pressable(session, fabrics)[0]),
        start,
        float(pass_rate),
        None if confidence is None else float(confidence),
    )
