"""Lay out wanted presses in oven loads, press rounds and a practicable order.

A plan is a strip-plot: coupons cured together share a load, presses made without re-setting the
heat press share a round, and each coupon belongs to one load and one round. Loads and rounds are
made first; randomisation covers only what causes no wait.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields, units
from dtfexp.describe.errors import PlanError
from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.forbidden_repair import move_out_of_forbidden

Key = tuple[float, ...]

_TOLERANCE = 1e-9
_MOST_EXTRA = 3
"""Most loads for the repeats of one press: a second and third load show the variation between
loads, further ones add little."""


def lay_out(
    session: Session,
    settings: pd.DataFrame,
    rng: np.random.Generator,
    first_press: int = 1,
    first_load: int = 1,
    first_round: int = 1,
    *,
    groups: tuple[Sequence[int], Sequence[int]] | None = None,
) -> pd.DataFrame:
    """Return wanted presses as runs in pressing order.

    ``settings``: DataFrame with the columns fabric and one per factor, a row per wanted press, on
    the factors' steps and within the fabrics' heat limits. The result has the columns press,
    fabric, oven_load, press_round and the factors, numbered on from the three first numbers.

    * One load shares every cure-stage setting and holds at most ``session.coupons_per_load``.
    * One round shares every hard-to-change press-stage setting and holds at most
      ``session.presses_per_round``.
    * Rounds follow the platen's temperature, up or down; within a round, presses at one platen
      temperature are adjacent and new loads follow the oven's temperature.
    * Repeats of a press are in different loads, and in different rounds where their round must be
      split anyway, to separate batch effects from settings.
    * Loads are numbered in the order of first use. Everything else is drawn from ``rng``; an equal
      generator gives an equal frame.
    * A press in a forbidden corner is made at the nearest permitted settings.
    * ``groups`` gives the load and round of every row when a plan has fixed them; then only the
      order is chosen.

    Raises ``PlanError`` (a ``ValueError``) naming the row, the column and what is accepted.
    """
    for name, first in (
        ("first_press", first_press),
        ("first_load", first_load),
        ("first_round", first_round),
    ):
        if isinstance(first, bool) or not isinstance(first, (int, np.integer)) or first < 1:
            raise fields.refusal(name, first, "a whole number of 1 or more", PlanError)
    fabrics, columns = _checked(session, settings)
    if session.forbidden:
        kept, _ = move_out_of_forbidden(session, pd.DataFrame({"fabric": fabrics} | columns))
        columns = {f.name: kept[f.name].tolist() for f in session.factors}
    count = len(fabrics)
    presses = _presses(session, fabrics, columns)
    shuffled = [int(i) for i in rng.permutation(count)]
    if groups is None:
        rounds = _assign_batches(
            [presses[i].round_key for i in shuffled],
            [(presses[i].wanted, (presses[i].cure_key, fabrics[i])) for i in shuffled],
            session.presses_per_round,
            most_extra=1,
        )
        round_of = dict(zip(shuffled, rounds, strict=True))
        loads = _assign_batches(
            [presses[i].cure_key for i in shuffled],
            [(presses[i].wanted, (round_of[i], fabrics[i])) for i in shuffled],
            session.coupons_per_load,
            most_extra=_MOST_EXTRA,
        )
        load_of = dict(zip(shuffled, loads, strict=True))
    else:
        load_of, round_of = (dict(enumerate(map(int, of_row))) for of_row in groups)
    order = _pressing_order(presses, shuffled, round_of, load_of, rng)

    runs = pd.DataFrame(
        {
            "press": np.arange(count) + int(first_press),
            "fabric": pd.Series([fabrics[i] for i in order], dtype="str"),
            "oven_load": _numbered([load_of[i] for i in order], int(first_load)),
            "press_round": _numbered([round_of[i] for i in order], int(first_round)),
        }
    )
    for factor in session.factors:
        values = [columns[factor.name][i] for i in order]
        kind = "float64" if factor.is_numeric else "str"
        runs[factor.name] = pd.Series(values, dtype=kind)
    return runs


def changeover_counts(session: Session, runs: pd.DataFrame) -> dict[str, float]:
    """Return a plan's loads, rounds and waiting minutes; ``runs`` from ``lay_out``.

    ``oven_loads``, ``press_rounds``; ``oven_resets`` (loads in the order of their numbers: changes
    of a cure-stage temperature or hard-to-change setting), ``platen_resets`` (presses in order:
    changes of a press-stage temperature or hard-to-change setting); ``cure_temperatures``,
    ``press_temperatures`` (number of different ones); ``minutes``: warm-up, change-overs one after
    the other, every load's cure time and every press's press time where the plan has them.
    Handling, peeling and washing are not counted.
    """
    ordered = runs.sort_values("press", kind="stable")
    loads = ordered.drop_duplicates("oven_load").sort_values("oven_load", kind="stable")
    cure = [f for f in session.factors if f.stage == "cure" and f.is_slow]
    press = [f for f in session.factors if f.stage == "press" and f.is_slow]
    oven_resets, platen_resets = _changes(loads, cure), _changes(ordered, press)
    minutes = (session.warm_up_minutes if len(runs) else 0.0) + session.change_over_minutes * (
        oven_resets + platen_resets
    )
    for frame, stage in ((loads, "cure"), (ordered, "press")):
        for factor in session.factors:
            if factor.stage != stage or not factor.unit:
                continue
            if units.kind(factor.unit) == "time":
                per_unit = units.convert_difference(1.0, factor.unit, "min")
                minutes += float(frame[factor.name].astype(float).sum()) * per_unit
            elif units.kind(factor.unit) == "speed":
                dwells = (session.pace.dwell_seconds(v, factor.unit) for v in frame[factor.name])
                minutes += sum(seconds or 0.0 for seconds in dwells) / 60.0
    return {
        "oven_loads": len(loads),
        "press_rounds": int(ordered["press_round"].nunique()),
        "oven_resets": oven_resets,
        "platen_resets": platen_resets,
        "cure_temperatures": _temperatures(ordered, cure),
        "press_temperatures": _temperatures(ordered, press),
        "minutes": round(minutes, 6),
    }


@dataclass(frozen=True)
class _PressKeys:
    """The keys of one wanted press that decide its place; words count by position."""

    wanted: tuple[Any, ...]  # fabric and every setting: equal for repeats
    cure_key: Key  # every cure-stage setting, temperatures first
    round_key: Key  # every hard-to-change press-stage setting, temperatures first
    platen_key: Key  # the press-stage temperatures that are not hard to change
    oven_key: Key  # the part of cure_key that takes a wait to change


def _presses(
    session: Session, fabrics: list[str], columns: dict[str, list[Any]]
) -> list[_PressKeys]:
    ranks = {
        f.name: [float(v if f.is_numeric else f.levels.index(v)) for v in columns[f.name]]
        for f in session.factors
    }
    slow_first = sorted(session.factors, key=lambda f: (not f.is_temperature, not f.is_numeric))
    cure = [f for f in slow_first if f.stage == "cure"]
    cure.sort(key=lambda f: not f.is_slow)
    hard = [f for f in slow_first if f.stage == "press" and f.hard_to_change]
    platen = [
        f for f in slow_first if f.stage == "press" and f.is_temperature and not f.hard_to_change
    ]
    oven = [f for f in cure if f.is_slow]

    def key(chosen: list[Factor], i: int) -> Key:
        return tuple(ranks[f.name][i] for f in chosen)

    return [
        _PressKeys(
            wanted=(fabric, *key(list(session.factors), i)),
            cure_key=key(cure, i),
            round_key=key(hard, i),
            platen_key=key(platen, i),
            oven_key=key(oven, i),
        )
        for i, fabric in enumerate(fabrics)
    ]


def _assign_batches(
    keys: Sequence[Key], apart: Sequence[tuple[Any, tuple[Any, ...]]], most: int, most_extra: int
) -> list[int]:
    """Return a batch for each item; a batch has one key and at most ``most`` items.

    ``apart``: per item, what to separate (equal ones go to different batches as far as possible)
    and what to mix (each spread over the batches, the first most carefully). A key gets the batches
    it needs, or as many as its most repeated item has copies, up to ``most_extra``. The batches of
    a key are equally filled, to one item.
    """
    batches = [0] * len(keys)
    made = 0
    for key in dict.fromkeys(keys):
        members = [i for i, k in enumerate(keys) if k == key]
        copies = Counter(apart[i][0] for i in members)
        number = max(-(-len(members) // most), min(max(copies.values()), most_extra))
        # Place copies of one press consecutively, most copies first, each into an emptiest batch:
        # with enough batches, no two copies share one.
        place = {what: k for k, what in enumerate(dict.fromkeys(apart[i][0] for i in members))}
        members.sort(key=lambda i: (-copies[apart[i][0]], place[apart[i][0]]))
        size: Counter[int] = Counter()
        same: Counter[tuple[int, Any]] = Counter()
        mixed: Counter[tuple[int, int, Any]] = Counter()
        for i in members:
            what, mix = apart[i]
            best = min(
                range(number),
                key=lambda b: (
                    same[b, what],
                    size[b],
                    *(mixed[b, n, part] for n, part in enumerate(mix)),
                    b,
                ),
            )
            batches[i] = made + best
            size[best] += 1
            same[best, what] += 1
            for n, part in enumerate(mix):
                mixed[best, n, part] += 1
        made += number
    return batches


def _pressing_order(
    presses: list[_PressKeys],
    shuffled: list[int],
    round_of: dict[int, int],
    load_of: dict[int, int],
    rng: np.random.Generator,
) -> list[int]:
    """Return the order with the fewest oven re-sets of four that follow the platen."""
    steps: dict[int, list[int]] = {}
    for i in shuffled:
        steps.setdefault(round_of[i], []).append(i)
    tries = []
    for way in (int(w) for w in rng.permutation(4)):
        order = _one_order(presses, steps, load_of, downward=way >= 2, hot_oven=way % 2 == 1)
        ovens = [presses[i].oven_key for i in _first_index([load_of[i] for i in order], order)]
        tries.append((sum(a != b for a, b in pairwise(ovens)), order))
    return min(tries, key=lambda one: one[0])[1]


def _one_order(
    presses: list[_PressKeys],
    rounds: dict[int, list[int]],
    load_of: dict[int, int],
    *,
    downward: bool,
    hot_oven: bool,
) -> list[int]:
    by_key: dict[Key, list[int]] = {}
    for number, members in rounds.items():
        by_key.setdefault(presses[members[0]].round_key, []).append(number)
    order: list[int] = []
    cured: set[int] = set()
    oven: Key | None = None
    upward = not downward
    for key in _boustrophedon_order(list(by_key), downward):
        for number in by_key[key]:
            blocks: dict[Key, list[int]] = {}
            for i in rounds[number]:
                blocks.setdefault(presses[i].platen_key, []).append(i)
            for block in sorted(blocks, reverse=not upward):
                members = blocks[block]
                new = _curing_order(presses, members, load_of, cured, oven, hot_oven)
                order += _new_loads_in_turn(members, load_of, new)
                if new:
                    cured |= set(new)
                    oven = next(presses[i].oven_key for i in members if load_of[i] == new[-1])
            # Continue from the present platen temperature.
            upward = not upward
    return order


def _curing_order(
    presses: list[_PressKeys],
    members: list[int],
    load_of: dict[int, int],
    cured: set[int],
    oven: Key | None,
    hot_oven: bool,
) -> list[int]:
    """Return loads in order of first use, in one direction from the present oven temperature."""
    new: dict[Key, list[int]] = {}
    for i in members:
        loads = new.setdefault(presses[i].cure_key, [])
        if load_of[i] not in cured and load_of[i] not in loads:
            loads.append(load_of[i])
    keys = _boustrophedon_order([key for key, loads in new.items() if loads], hot_oven)
    if oven and keys and abs(keys[-1][0] - oven[0]) < abs(keys[0][0] - oven[0]):
        keys.reverse()
    return [load for key in keys for load in new[key]]


def _new_loads_in_turn(members: list[int], load_of: dict[int, int], new: list[int]) -> list[int]:
    """Return the members as drawn, with members of new loads exchanged to order the loads."""
    turn = {load: k for k, load in enumerate(new)}
    fresh = iter(sorted((i for i in members if load_of[i] in turn), key=lambda i: turn[load_of[i]]))
    return [next(fresh) if load_of[i] in turn else i for i in members]


def _boustrophedon_order(keys: list[Key], downward: bool) -> list[Key]:
    """Return keys ordered by their first part; later parts run up, then down, then up again."""
    if not keys or not keys[0]:
        return keys
    out: list[Key] = []
    turned = downward
    for lead in sorted({key[0] for key in keys}, reverse=downward):
        rest = _boustrophedon_order([key[1:] for key in keys if key[0] == lead], turned)
        out += [(lead, *part) for part in rest]
        turned = not turned
    return out


def _first_index(labels: list[int], items: list[int]) -> list[int]:
    """Return the first item of each label."""
    first: dict[int, int] = {}
    for label, item in zip(labels, items, strict=True):
        first.setdefault(label, item)
    return list(first.values())


def _numbered(labels: list[int], first: int) -> pd.Series[int]:
    return pd.Series(pd.factorize(np.array(labels, dtype=int))[0] + first, dtype="int64")


def _changes(frame: pd.DataFrame, factors: list[Factor]) -> int:
    rows = list(zip(*(frame[f.name] for f in factors), strict=True))
    return sum(a != b for a, b in pairwise(rows))


def _temperatures(frame: pd.DataFrame, factors: list[Factor]) -> int:
    names = [f.name for f in factors if f.is_temperature]
    return len(frame[names].drop_duplicates()) if names else 0


def _checked(session: Session, settings: pd.DataFrame) -> tuple[list[str], dict[str, list[Any]]]:
    """Return fabric names and, per factor, settings that bench and fabric allow."""
    for column in ("fabric", *(f.name for f in session.factors)):
        if column not in settings.columns:
            raise PlanError(f"wanted presses: column {column!r} is missing")
    fabrics, columns = [], {}
    for row, given in enumerate(settings["fabric"], start=1):
        with fields.at(f"wanted presses, row {row}, column 'fabric'", PlanError):
            fabrics.append(session.fabric(given).name)
    for factor in session.factors:
        allowed = {fabric: session.allowed(factor, fabric) for fabric in dict.fromkeys(fabrics)}
        values = []
        for row, (fabric, given) in enumerate(
            zip(fabrics, settings[factor.name], strict=True), start=1
        ):
            place = f"wanted presses, row {row}, column {factor.name!r}"
            with fields.at(place, PlanError):
                value = factor.snap(given)
            on_step = not factor.is_numeric or abs(value - float(given)) <= _TOLERANCE * max(
                1.0, abs(value)
            )
            if value not in allowed[fabric]:
                why = session.refusal({factor.name: given}, fabric)
                raise PlanError(f"{place}: {why or session.nothing_left(fabric)}")
            if not on_step:
                raise PlanError(
                    f"{place}: {given} cannot be set for {fabric}; use {factor.format(value)}"
                )
            values.append(value)
        columns[factor.name] = values
    return fabrics, columns
