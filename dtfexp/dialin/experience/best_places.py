"""Where good settings lie for each class of fabric and film, in the settings' own units."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from dtfexp.dialin.experience.book_message import BookMessage
from dtfexp.dialin.experience.learnt_moments import moments
from dtfexp.dialin.experience.shared_settings import CodedSetting, from_table
from dtfexp.maths.field.points import Points
from dtfexp.maths.field.trend import TrendTerms

Array = NDArray[np.float64]

_REACH, _PLACES, _STEPS = 1.5, 4096, 121


def best_places(content: Mapping[str, Any], books: Sequence[BookMessage]) -> list[dict[str, Any]]:
    """Return one table for each class of fabric and film that the books hold.

    A class is told no temperature above the lowest heat limit of its fabrics. METHODS.md,
    section 16.
    """
    found: dict[tuple[str, str], list[tuple[int, str]]] = {}
    limits: dict[tuple[str, str], dict[str, float]] = {}
    for k, book in enumerate(books):
        for f in book.fields:
            of = {name.partition(": ")[0]: name.partition(": ")[2] for name in f.classes}
            of_class = of.get("fabric", ""), of.get("film", "")
            found.setdefault(of_class, []).append((k, of["outcome"]))
            lowest = limits.setdefault(of_class, {})
            for key, limit in f.limits.items():
                lowest[key] = min(math.floor(limit), lowest.get(key, math.inf))
    settings = [from_table(table) for table in content["settings"]]
    out = []
    for (fabric, film), seen in sorted(found.items()):
        outcomes = sorted({outcome for _, outcome in seen})
        beside = [f"fabric: {fabric}"] * bool(fabric) + [f"film: {film}"] * bool(film)
        each = [moments(content, [f"outcome: {outcome}", *beside]) for outcome in outcomes]
        varied = {setting.key for k, _ in seen for setting in books[k].settings}
        out.append(
            {
                "fabric": fabric,
                "film": film,
                "books": len({k for k, _ in seen}),
                "settings": _settings(each, settings, varied, limits[fabric, film]),
            }
        )
    return out


def _settings(
    each: Sequence[tuple[Array, Array]],
    settings: Sequence[CodedSetting],
    varied: Collection[str],
    limits: Mapping[str, float],
) -> list[dict[str, Any]]:
    """Return the best place, and how far each setting is good by itself, up to its limit.

    A setting that no logbook of the class ``varied``, or whose limit lies below all that is looked
    at, stands at its centre, where their messages are, and is not told of.
    """
    d, terms = len(settings), TrendTerms(tuple(range(len(settings))))
    limit = [(limits.get(one.key, math.inf) - one.centre) / one.half for one in settings]
    told = [one.key in varied and at > -_REACH for one, at in zip(settings, limit, strict=True)]
    bottom = np.where(told, -_REACH, 0.0)
    top = np.where(told, np.minimum(limit, _REACH), 0.0)
    unit = qmc.Sobol(d, scramble=True, seed=1).random(_PLACES)
    places = bottom + (top - bottom) * unit
    features = _features(terms, places)
    means = np.array([mean for mean, _ in each])
    start = places[int(np.argmax((features @ means.T).min(axis=1)))]
    best, out = _refined(terms, means, start, (bottom, top)), []
    for k, setting in enumerate(settings):
        if not told[k]:
            continue
        steps = np.linspace(bottom[k], top[k], _STEPS)
        line = np.tile(best, (_STEPS, 1))
        line[:, k] = steps
        good = (_features(terms, line) @ means.T).min(axis=1) >= 0.0
        near = int(np.argmin(np.abs(steps - best[k])))
        low = near - int(np.argmin(np.append(good[: near + 1][::-1], False))) + 1
        high = near + int(np.argmin(np.append(good[near:], False))) - 1
        codes = (best[k], steps[min(low, near)], steps[max(high, near)])
        at, *ends = (setting.value(code) for code in codes)
        low_end, high_end = sorted(ends)
        out.append(
            {
                "key": setting.key,
                "unit": setting.unit,
                "levels": list(setting.levels),
                "best": float(f"{at:.4g}"),
                "low": float(f"{low_end:.4g}"),
                "high": float(f"{high_end:.4g}"),
            }
            | ({"limit": float(limits[setting.key])} if setting.key in limits else {})
        )
    return out


def _refined(terms: TrendTerms, means: Array, start: Array, ends: tuple[Array, Array]) -> Array:
    """Return the place near ``start`` where the worst outcome is best, by ever smaller steps.

    ``ends``: the lowest and the highest code of each setting, (d,) each.
    """
    best, step = start, 0.1 * (ends[1] - ends[0])
    ring = 2.0 * qmc.Sobol(len(start), scramble=True, seed=2).random(256) - 1.0
    for _ in range(8):
        around = np.clip(np.vstack([best, best + step * ring]), *ends)
        best = around[int(np.argmax((_features(terms, around) @ means.T).min(axis=1)))]
        step = 0.6 * step
    return best


def _features(terms: TrendTerms, codes: Array) -> Array:
    nodes = codes[:, :, None]
    return terms.at(Points(nodes, np.ones(1), np.zeros(len(codes), dtype=int)))
