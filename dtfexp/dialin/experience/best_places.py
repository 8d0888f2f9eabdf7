"""Where good settings lie for each class of fabric and film, in the settings' own units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    """Return one table for each class of fabric and film that the books hold."""
    found: dict[tuple[str, str], list[tuple[int, str]]] = {}
    for k, book in enumerate(books):
        for f in book.fields:
            of = {name.partition(": ")[0]: name.partition(": ")[2] for name in f.classes}
            here = found.setdefault((of.get("fabric", ""), of.get("film", "")), [])
            here.append((k, of["outcome"]))
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
                "settings": _settings(each, settings, [one.key in varied for one in settings]),
            }
        )
    return out


def _settings(
    each: Sequence[tuple[Array, Array]], settings: Sequence[CodedSetting], varied: Sequence[bool]
) -> list[dict[str, Any]]:
    """Return the best place, and how far each setting is good by itself.

    A setting that no logbook of the class ``varied`` stands at its centre, where their messages
    are, and is not told of.
    """
    d, terms = len(settings), TrendTerms(tuple(range(len(settings))))
    reach = _REACH * np.array(varied, dtype=float)
    places = reach * (2.0 * qmc.Sobol(d, scramble=True, seed=1).random(_PLACES) - 1.0)
    features = _features(terms, places)
    means = np.array([mean for mean, _ in each])
    best = _refined(terms, means, places[int(np.argmax((features @ means.T).min(axis=1)))], reach)
    steps, out = np.linspace(-_REACH, _REACH, _STEPS), []
    for k, setting in enumerate(settings):
        if not varied[k]:
            continue
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
        )
    return out


def _refined(terms: TrendTerms, means: Array, start: Array, reach: Array) -> Array:
    """Return the place near ``start`` where the worst outcome is best, by ever smaller steps.

    ``reach`` (d,): the farthest code of each setting.
    """
    best, step = start, 0.2 * reach
    ring = 2.0 * qmc.Sobol(len(start), scramble=True, seed=2).random(256) - 1.0
    for _ in range(8):
        around = np.clip(np.vstack([best, best + step * ring]), -reach, reach)
        best = around[int(np.argmax((_features(terms, around) @ means.T).min(axis=1)))]
        step = 0.6 * step
    return best


def _features(terms: TrendTerms, codes: Array) -> Array:
    nodes = codes[:, :, None]
    return terms.at(Points(nodes, np.ones(1), np.zeros(len(codes), dtype=int)))
