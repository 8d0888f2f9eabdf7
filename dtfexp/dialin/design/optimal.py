"""Optimal plans for a bench: loads, rounds and settings chosen jointly.

A cure setting is constant within an oven load and a hard-to-change press setting within a round, so
the numbers of loads and rounds and their crossing matter. These are fixed first; then every setting
is chosen by coordinate exchange for the best estimate of a model's terms, with batch effects of
loads and rounds in the covariance.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.dialin.design.design_family import DesignRequest, RequestedPresses
from dtfexp.dialin.design.feasible_levels import FeasibleLevels, evenly_thinned
from dtfexp.dialin.design.first_look import AXIAL_DISTANCE, REACH, presses_per_fabric
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.encode.results import check_results, next_numbers
from dtfexp.dialin.evaluate.planning_assumptions import Assumptions
from dtfexp.dialin.schedule.crossing import Crossing, batches_per_side, cross_loads_and_rounds
from dtfexp.dialin.schedule.layout import lay_out
from dtfexp.maths.designs import coordinate_exchange
from dtfexp.maths.linear.model_terms import MODELS, Terms

Array = NDArray[np.float64]

OPTIONS = (
    "model", "reach", "restarts", "include", "blocks", "loads", "rounds", "load_luck", "round_luck",
)  # fmt: skip
RESTARTS, MOST_RESTARTS = 20, 5000
_KICKS, _MOST_KICKS, _KICKED_IN_FULL = 1.5, 30, 20_000
"""Each start is perturbed ``_KICKS`` times the number of starts, up to a limit, and less often when
presses times squared terms exceed the last number, to keep the search within seconds."""
MOST_PRESSES = 256
"""More presses take longer than an afternoon, and their search longer than a minute."""
SPARE_BATCHES = 2
"""Loads (rounds) beyond the terms estimated between loads (rounds): with none, batch effects cannot
be separated from settings; with one, a test needs F = 161, with two, 18.5."""
_FEW_LEVELS, _POLISHED = 5, 4
"""Values of a setting in the first search; the best few starts then use all."""
EXTENT_OPTIONS = round(REACH * AXIAL_DISTANCE, 2)
"""Default distance from the middle: that of the first look."""


def optimal_plan(request: DesignRequest) -> RequestedPresses:
    """Return a D- or I-optimal strip-plot of exactly the requested presses.

    Options: ``model`` ("quadratic", "interactions", "linear"); ``reach``, largest distance from the
    middle (share of the half-range); ``restarts``; ``include``, a frame of earlier presses, which
    count and are not planned again; ``blocks``, days, rolls or lots that shift all grades;
    ``loads`` and ``rounds``, their numbers (at least what the bench needs); ``load_luck`` and
    ``round_luck``, standard deviations in multiples of that between two like presses.
    """
    session, rng = request.session, np.random.default_rng(request.seed)
    if request.presses > MOST_PRESSES:
        raise PlanError(
            f"design {request.design!r} takes up to {MOST_PRESSES} presses and presses is "
            f"{request.presses}; allow fewer, or use design 'latin hypercube'"
        )
    model = request.options.get("model", "quadratic")
    if model not in MODELS:
        raise fields.refusal("model", model, f"one of {', '.join(map(repr, MODELS))}", PlanError)
    restarts = request.whole_option("restarts", RESTARTS, 1, MOST_RESTARTS)
    ratios = (_batch_effect_ratio(request, "load_luck"), _batch_effect_ratio(request, "round_luck"))
    earlier = _earlier_presses(request)
    bench = FeasibleLevels.of(
        session, request.fabrics, request.reach(EXTENT_OPTIONS), earlier, request.blocks
    )
    terms = Terms.of([span.kind for span in bench.factors], model)
    old = bench.information(terms, earlier, ratios)
    _check_enough_presses(request, terms, old)
    marks = _fabric_and_block(request)
    cross = _crossing(request, bench, terms, marks, earlier)
    task = bench.task(terms, marks, cross, ratios, old, request.design == "i-optimal")
    found = _search(task, restarts, rng)
    if found.violations:
        raise PlanError(
            f"design {request.design!r}: {found.violations} presses would be at settings that the "
            "session forbids together; allow more loads or rounds, or loosen what is forbidden"
        )
    if not np.isfinite(found.value):
        raise PlanError(
            f"design {request.design!r}: {request.presses} presses in {cross.loads} oven loads and "
            f"{cross.rounds} press rounds cannot tell all {terms.size} terms of model {model!r} "
            "apart; allow more loads or rounds, or use a smaller model"
        )
    wanted = bench.settings(found.index, marks["fabric"].tolist())
    runs = _laid_out(request, wanted, marks["block"].tolist(), cross, next_numbers(earlier), rng)
    return RequestedPresses(
        runs, _reason(request, model, terms), _notes(bench, cross, earlier), laid_out=True
    )


def _fabric_and_block(request: DesignRequest) -> pd.DataFrame:
    """Return fabric and block of every press, blocks equal in size and fabrics."""
    shares = presses_per_fabric(request.presses, request.fabrics)
    fabrics = [fabric for fabric, count in shares.items() for _ in range(count)]
    labels = request.blocks or ("",)
    marks = pd.DataFrame({"fabric": fabrics})
    marks["block"] = [labels[i % len(labels)] for i in range(len(fabrics))]
    order = [labels.index(label) for label in marks["block"]]
    return marks.iloc[np.argsort(order, kind="stable")].reset_index(drop=True)


def _laid_out(
    request: DesignRequest,
    wanted: pd.DataFrame,
    blocks: list[str],
    cross: Crossing,
    first: tuple[int, int, int],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return runs in pressing order, block after block."""
    parts: list[pd.DataFrame] = []
    for label in dict.fromkeys(blocks):
        mine = np.array([block == label for block in blocks])
        groups = (cross.load[mine].tolist(), cross.round_[mine].tolist())
        chosen = wanted[mine].reset_index(drop=True)
        part = lay_out(request.session, chosen, rng, *first, groups=groups)
        parts.append(part.assign(block=label) if request.blocks else part)
        first = next_numbers(part)
    return pd.concat(parts, ignore_index=True)


def _batch_effect_ratio(request: DesignRequest, option: str) -> float:
    """Return the option, or the prior mean of the fit."""
    assumed = Assumptions.of(request.session)
    default = getattr(assumed, option) / assumed.noise
    value = request.options.get(option, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 100:
        raise fields.refusal(
            option,
            value,
            "a number from 0 to 100: how far two alike differ, in multiples of how "
            "far two presses alike do",
            PlanError,
        )
    return float(value)


def _earlier_presses(request: DesignRequest) -> pd.DataFrame:
    """Return the earlier presses, checked; no rows when none are given."""
    given = request.options.get("include")
    frame = pd.DataFrame() if given is None else given
    with fields.at("include", PlanError):
        checked = check_results(request.session, frame)
    kept = checked[~excluded_rows(checked)].reset_index(drop=True)
    # Earlier presses without a block form their own block.
    kept["block"] = kept["block"].astype(str) if "block" in kept else ""
    return kept


def _check_enough_presses(request: DesignRequest, terms: Terms, old: Array) -> None:
    """Raise ``PlanError`` when there are fewer presses than terms still to estimate."""
    known = int(np.linalg.matrix_rank(old, hermitian=True)) if old.any() else 0
    needed = terms.size - known
    if request.presses >= needed:
        return
    smaller = [
        f"{model!r} ({size} terms)"
        for model in reversed(MODELS)
        if (size := Terms.of(terms.kinds, model).size) - known <= request.presses
        and size < terms.size
    ]
    others = f"use model {' or '.join(smaller)}" if smaller else "use design 'auto'"
    raise PlanError(
        f"design {request.design!r}: model {terms.model!r} has {terms.size} terms"
        + (f", {known} of them estimated by the presses included," if known else "")
        + f" and presses is {request.presses}; allow {needed} or more, or {others}"
    )


def _crossing(
    request: DesignRequest,
    bench: FeasibleLevels,
    terms: Terms,
    marks: pd.DataFrame,
    earlier: pd.DataFrame,
) -> Crossing:
    """Return the number of loads and rounds, and their crossing, separate for each block."""
    caps = (request.session.coupons_per_load, request.session.presses_per_round)
    cure, heat = bench.classes("load"), bench.classes("round")
    sides: list[tuple[Hashable, Hashable]] = [
        ((day, cure[fabric]), (day, heat[fabric]))
        for day, fabric in zip(marks["block"], marks["fabric"], strict=True)
    ]
    counts = []
    for place, (option, group) in enumerate((("loads", "load"), ("rounds", "round"))):
        presses = Counter(side[place] for side in sides)
        least = sum(batches_per_side(presses, caps[place], 0).values())
        n_terms = bench.terms_in_stratum(terms, group)
        total = _batch_count(request, option, least, n_terms, earlier)
        counts.append(batches_per_side(presses, caps[place], total))
    return cross_loads_and_rounds(list(marks["fabric"]), counts[0], counts[1], sides, caps)


def _batch_count(
    request: DesignRequest, option: str, least: int, terms: int, earlier: pd.DataFrame
) -> int:
    """Return the number of loads or rounds: the capacity needed, or the terms and a few more."""
    column = "oven_load" if option == "loads" else "press_round"
    made = earlier[column].nunique() if len(earlier) else 0
    wanted = terms + SPARE_BATCHES - made if terms > 1 else least
    default = min(max(least, wanted), request.presses)
    value = request.options.get(option)
    return (
        default if value is None else request.whole_option(option, default, least, request.presses)
    )


def _search(
    task: coordinate_exchange.Task, restarts: int, rng: np.random.Generator
) -> coordinate_exchange.SearchResult:
    """Search from starts on few levels of every setting, then continue the best on all."""
    few = replace(task, allowed=tuple(_thinned_levels(a, _FEW_LEVELS) for a in task.allowed))
    ease = min(1.0, _KICKED_IN_FULL / (task.n * task.terms.size**2))
    kicks = round(min(_KICKS * restarts, _MOST_KICKS) * ease)
    coarse = coordinate_exchange.search(few, restarts, rng, most=_POLISHED, kicks=kicks)
    fine = coordinate_exchange.search(task, len(coarse.tops), rng, begin=coarse.tops)
    return fine if (-fine.violations, fine.value) >= (-coarse.violations, coarse.value) else coarse


def _thinned_levels(allowed: NDArray[np.bool_], most: int) -> NDArray[np.bool_]:
    """Return at most ``most`` of the values allowed for each press: ends, and evenly between."""
    out = np.zeros_like(allowed)
    for row, given in enumerate(allowed):
        places = np.flatnonzero(given)
        out[row, evenly_thinned(places, most)] = True
    return out


def _reason(request: DesignRequest, model: str, terms: Terms) -> str:
    for_what = (
        "so that grades are predicted best over the range"
        if request.design == "i-optimal"
        else "so that effects are estimated best"
    )
    what = {
        "linear": "main effects",
        "interactions": "main effects and joint effects of two settings",
        "quadratic": "main effects, joint effects of two settings, and where each is best",
    }[model]
    return f"Settings chosen together {for_what}: {terms.size} terms ({what})."


def _notes(bench: FeasibleLevels, cross: Crossing, earlier: pd.DataFrame) -> tuple[str, ...]:
    """Return the restrictions and assumptions of the plan in plain sentences."""
    factors = bench.session.factors
    cure = [f.name for f in factors if f.stage == "cure"]
    hard = [f.name for f in factors if f.stage == "press" and f.hard_to_change]
    notes = []
    if cure:
        notes.append(
            f"{_listed(cure)} {_verb(cure)} set once for each of {cross.loads} oven loads, not "
            "for each coupon; the luck of a load is included."
        )
    if hard:
        notes.append(
            f"{_listed(hard)} {_verb(hard)} set once for each of {cross.rounds} press rounds; the "
            "luck of a round is included."
        )
    notes.append(
        "Presses follow the slow settings, to save waiting; their order is random only within a "
        "load and a round."
    )
    if len(earlier):
        notes.append(f"{len(earlier)} presses made already count, and are not planned again.")
    return tuple(notes)


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _verb(names: list[str]) -> str:
    return "is" if len(names) == 1 else "are"
