"""Optimal plans for a bench: which loads, which rounds, and what to set, chosen together.

A cure setting is the same for a whole oven load and a hard-to-change press setting for a whole
round, so what matters is how many loads and rounds there are and how they cross. The number of each
is settled first; then every setting is chosen by exchange so that the terms of a model are known
best, with the luck of loads and rounds counted in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.errors import PlanError, ResultsError
from dtfexp.dialin.assumed import Assumed
from dtfexp.dialin.coding import excluded_rows
from dtfexp.dialin.crossing import Crossing, crossed, shared_out
from dtfexp.dialin.family import Asked, Wanted
from dtfexp.dialin.first_look import FAR, REACH, share_presses
from dtfexp.dialin.layout import lay_out
from dtfexp.dialin.numbering import first_numbers
from dtfexp.dialin.results import check_results
from dtfexp.dialin.settable import Bench, spread
from dtfexp.maths import optimal
from dtfexp.maths.terms import MODELS, Terms

Array = NDArray[np.float64]

OPTIONS = (
    "model", "reach", "restarts", "include", "blocks", "loads", "rounds", "load_luck", "round_luck",
)  # fmt: skip
RESTARTS, MOST_RESTARTS = 20, 5000
_KICKS, _MOST_KICKS, _KICKED_IN_FULL = 1.5, 30, 20_000
"""Every start is shaken ``_KICKS`` times the number of starts, up to a limit, and less often where
presses times squared terms are more than the last number: a search of seconds, not minutes."""
MOST_PRESSES = 256
"""More than these are beyond an afternoon, and their search beyond a minute."""
SPARE = 2
"""Loads (rounds) beyond the terms that only a load (a round) can tell: with none their luck cannot
be told from the settings at all; with one a test asks for an F of 161, with two for 18.5."""
_FEW_LEVELS, _POLISHED = 5, 4
"""Starts try that many values of a setting; the best few then try them all."""
EXTENT = round(REACH * FAR, 2)
"""How far from the middle settings may go: as far as the first look does."""


def optimal_plan(asked: Asked) -> Wanted:
    """A D- or I-optimal strip-plot of exactly the presses asked for.

    Options: ``model`` ("quadratic", "interactions", "linear"); ``reach``, how far from the middle
    the settings may go (share of the half-range); ``restarts``; ``include``, a frame of presses
    made already, which count and are not planned again; ``blocks``, days, rolls or lots that shift
    all grades; ``loads`` and ``rounds``, how many (never
    fewer than fit the bench); ``load_luck`` and ``round_luck``, standard deviations in multiples of
    that between two presses alike.
    """
    session, rng = asked.session, np.random.default_rng(asked.seed)
    if asked.presses > MOST_PRESSES:
        raise PlanError(
            f"design {asked.design!r} takes up to {MOST_PRESSES} presses and presses is "
            f"{asked.presses}; allow fewer, or use design 'latin hypercube'"
        )
    model = asked.options.get("model", "quadratic")
    if model not in MODELS:
        raise PlanError(f"model is {model!r}; use one of {', '.join(map(repr, MODELS))}")
    restarts = asked.whole("restarts", RESTARTS, 1, MOST_RESTARTS)
    ratios = (_luck(asked, "load_luck"), _luck(asked, "round_luck"))
    earlier = _included(asked)
    bench = Bench.of(session, asked.fabrics, asked.reach(EXTENT), earlier, asked.blocks)
    terms = Terms.of([span.kind for span in bench.spans], model)
    old = bench.information(terms, earlier, ratios)
    _enough(asked, terms, old)
    marks = _marks(asked)
    cross = _crossing(asked, bench, terms, marks, earlier)
    task = bench.task(terms, marks, cross, ratios, old, asked.design == "i-optimal")
    found = _search(task, restarts, rng)
    if found.broken:
        raise PlanError(
            f"design {asked.design!r}: {found.broken} presses would be at settings that the "
            "session forbids together; allow more loads or rounds, or loosen what is forbidden"
        )
    if not np.isfinite(found.value):
        raise PlanError(
            f"design {asked.design!r}: {asked.presses} presses in {cross.loads} oven loads and "
            f"{cross.rounds} press rounds cannot tell all {terms.size} terms of model {model!r} "
            "apart; allow more loads or rounds, or use a smaller model"
        )
    wanted = bench.settings(found.index, marks["fabric"].tolist())
    runs = _laid_out(asked, wanted, marks["block"].tolist(), cross, first_numbers(earlier), rng)
    return Wanted(runs, _reason(asked, model, terms), _notes(bench, cross, earlier), laid_out=True)


def _marks(asked: Asked) -> pd.DataFrame:
    """The fabric and the block of every press: blocks alike in size and in fabrics, in turn."""
    shares = share_presses(asked.presses, asked.fabrics)
    fabrics = [fabric for fabric, count in shares.items() for _ in range(count)]
    labels = asked.blocks or ("",)
    marks = pd.DataFrame({"fabric": fabrics})
    marks["block"] = [labels[i % len(labels)] for i in range(len(fabrics))]
    order = [labels.index(label) for label in marks["block"]]
    return marks.iloc[np.argsort(order, kind="stable")].reset_index(drop=True)


def _laid_out(
    asked: Asked,
    wanted: pd.DataFrame,
    blocks: list[str],
    cross: Crossing,
    first: tuple[int, int, int],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Runs in pressing order, one block after the other."""
    parts: list[pd.DataFrame] = []
    for label in dict.fromkeys(blocks):
        mine = np.array([block == label for block in blocks])
        groups = (cross.load[mine].tolist(), cross.round_[mine].tolist())
        chosen = wanted[mine].reset_index(drop=True)
        part = lay_out(asked.session, chosen, rng, *first, groups=groups)
        parts.append(part.assign(block=label) if asked.blocks else part)
        first = first_numbers(part)
    return pd.concat(parts, ignore_index=True)


def _luck(asked: Asked, option: str) -> float:
    """The option, or what the fit expects before it sees a grade."""
    assumed = Assumed.of(asked.session)
    default = getattr(assumed, option) / assumed.noise
    value = asked.options.get(option, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 100:
        raise PlanError(
            f"{option} is {value!r}; give a number from 0 to 100: how far two alike differ, in "
            "multiples of how far two presses alike do"
        )
    return float(value)


def _included(asked: Asked) -> pd.DataFrame:
    """The presses made already, checked; no rows when none are given."""
    given = asked.options.get("include")
    frame = pd.DataFrame() if given is None else given
    try:
        checked = check_results(asked.session, frame)
    except ResultsError as error:
        raise PlanError(f"include: {error}") from None
    kept = checked[~excluded_rows(checked)].reset_index(drop=True)
    # Presses made on no block that was told belong to one of their own.
    kept["block"] = kept["block"].astype(str) if "block" in kept else ""
    return kept


def _enough(asked: Asked, terms: Terms, old: Array) -> None:
    """Raise ``PlanError`` when there are fewer presses than terms still to be told."""
    known = int(np.linalg.matrix_rank(old, hermitian=True)) if old.any() else 0
    needed = terms.size - known
    if asked.presses >= needed:
        return
    smaller = [
        f"{model!r} ({size} terms)"
        for model in reversed(MODELS)
        if (size := Terms.of(terms.kinds, model).size) - known <= asked.presses
        and size < terms.size
    ]
    others = f"use model {' or '.join(smaller)}" if smaller else "use design 'auto'"
    raise PlanError(
        f"design {asked.design!r}: model {terms.model!r} has {terms.size} terms to tell"
        + (f", {known} of them told by the presses included," if known else "")
        + f" and presses is {asked.presses}; allow {needed} or more, or {others}"
    )


def _crossing(
    asked: Asked, bench: Bench, terms: Terms, marks: pd.DataFrame, earlier: pd.DataFrame
) -> Crossing:
    """How many loads and rounds, and what lies where; a block has loads and rounds of its own."""
    caps = (asked.session.coupons_per_load, asked.session.presses_per_round)
    cure, heat = bench.classes("load"), bench.classes("round")
    sides: list[tuple[Hashable, Hashable]] = [
        ((day, cure[fabric]), (day, heat[fabric]))
        for day, fabric in zip(marks["block"], marks["fabric"], strict=True)
    ]
    counts = []
    for place, (option, group) in enumerate((("loads", "load"), ("rounds", "round"))):
        presses = Counter(side[place] for side in sides)
        least = sum(shared_out(presses, caps[place], 0).values())
        told = bench.told_by_group(terms, group)
        total = _how_many(asked, option, least, told, earlier)
        counts.append(shared_out(presses, caps[place], total))
    return crossed(list(marks["fabric"]), counts[0], counts[1], sides, caps)


def _how_many(asked: Asked, option: str, least: int, terms: int, earlier: pd.DataFrame) -> int:
    """Loads or rounds: those that hold the presses, and a few more than the terms they tell."""
    column = "oven_load" if option == "loads" else "press_round"
    made = earlier[column].nunique() if len(earlier) else 0
    wanted = terms + SPARE - made if terms > 1 else least
    default = min(max(least, wanted), asked.presses)
    value = asked.options.get(option)
    return default if value is None else asked.whole(option, default, least, asked.presses)


def _search(task: optimal.Task, restarts: int, rng: np.random.Generator) -> optimal.Found:
    """Starts on few levels of every setting, then the best of them on all."""
    few = replace(task, allowed=tuple(_few(a, _FEW_LEVELS) for a in task.allowed))
    ease = min(1.0, _KICKED_IN_FULL / (task.n * task.terms.size**2))
    kicks = round(min(_KICKS * restarts, _MOST_KICKS) * ease)
    coarse = optimal.search(few, restarts, rng, most=_POLISHED, kicks=kicks)
    fine = optimal.search(task, len(coarse.tops), rng, begin=coarse.tops)
    return fine if (-fine.broken, fine.value) >= (-coarse.broken, coarse.value) else coarse


def _few(allowed: NDArray[np.bool_], most: int) -> NDArray[np.bool_]:
    """Of what each press may be set to, at most so many: ends, and evenly between."""
    out = np.zeros_like(allowed)
    for row, given in enumerate(allowed):
        places = np.flatnonzero(given)
        out[row, spread(places, most)] = True
    return out


def _reason(asked: Asked, model: str, terms: Terms) -> str:
    for_what = (
        "so that grades are foretold best over the range"
        if asked.design == "i-optimal"
        else "so that the effects of the settings are known best"
    )
    what = {
        "linear": "each setting's own effect",
        "interactions": "own effects and joint effects of two settings",
        "quadratic": "own effects, joint effects of two settings, and where each is best",
    }[model]
    return f"Settings chosen together {for_what}: {terms.size} terms ({what})."


def _notes(bench: Bench, cross: Crossing, earlier: pd.DataFrame) -> tuple[str, ...]:
    """What is restricted and what was reckoned with, in plain sentences."""
    factors = bench.session.factors
    cure = [f.name for f in factors if f.stage == "cure"]
    hard = [f.name for f in factors if f.stage == "press" and f.hard_to_change]
    notes = []
    if cure:
        notes.append(
            f"{_listed(cure)} {_verb(cure)} set once for each of {cross.loads} oven loads, not "
            "for each coupon; the luck of a load is reckoned with."
        )
    if hard:
        notes.append(
            f"{_listed(hard)} {_verb(hard)} set once for each of {cross.rounds} press rounds; the "
            "luck of a round is reckoned with."
        )
    notes.append(
        "Presses follow the slow settings, to save waiting; only within a load and a round does "
        "chance decide the order."
    )
    if len(earlier):
        notes.append(f"{len(earlier)} presses made already count, and are not planned again.")
    return tuple(notes)


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _verb(names: list[str]) -> str:
    return "is" if len(names) == 1 else "are"
