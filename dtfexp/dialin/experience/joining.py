"""The messages of many logbooks joined into one experience: METHODS.md, equation (41)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from dtfexp.describe.experience import FORMAT, VERSION, Experience
from dtfexp.dialin.experience.best_places import best_places
from dtfexp.dialin.experience.book_message import BookMessage
from dtfexp.dialin.experience.moves import learnt_moves
from dtfexp.dialin.experience.shared_settings import (
    CodedSetting,
    change_of_scale,
    shared_shape,
    to_table,
)
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.hyperparameters import HYPER_PRIORS
from dtfexp.maths.inference.trend_message import expected_trend, scale_prior
from dtfexp.maths.linear.normal_hierarchy import (
    Groups,
    Hierarchy,
    HierarchyPrior,
    fit_hierarchy,
)

Array = NDArray[np.float64]

#: Shares of the general prior's variance: between benches, of what all have in common, and of each
#: kind of class.
BETWEEN, COMMON, CLASS = 0.8, 0.3, 0.1
#: Benches that the general prior counts for in what differs between benches, and in the scales.
#: Of those tried (4 to 40 benches, shares 0.5 and 0.8) these predicted left-out books best.
STRENGTH, SCALE_STRENGTH = 15.0, 4.0
#: Sd of the log of how much wider or narrower than the general prior benches lie: in level, slopes,
#: bends and pairs each. The fabrics of one shop are much more alike than all benches are.
PART_SD = 0.4
#: A session starts with MOST n / (n + DOUBT) on the experience of n logbooks.  Where it is worth
#: much, the first presses soon say so; where it is not, they hardly speak against it.
DOUBT, MOST = 2.0, 0.4
KINDS = ("outcome", "fabric", "film")


def joined(named: Sequence[tuple[str, BookMessage]], name: str, made: str) -> Experience:
    """Return the experience of named messages; ``made`` is the day. METHODS.md, equation (41)."""
    books = [message for _, message in named]
    shared = shared_settings(books)
    general = expected_trend(shared_shape(shared), Prior())
    names, found = _fields(books, shared, *general)
    p = len(general[0])
    common = found.mean[:p]
    classes = {
        key: _digits(found.mean[p * k : p * (k + 1)]) for k, key in enumerate(names, start=1)
    }
    content: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "name": name,
        "made": made,
        "share": round(MOST * doubted(len(books)), 4),
        "books": [
            {"name": called, "digest": m.digest, "presses": m.presses, "fabrics": list(m.fabrics)}
            for called, m in named
        ],
        "settings": [_rounded(to_table(s)) | {"books": _count(s.key, books)} for s in shared],
        "common": _digits(common),
        "classes": classes,
        "joint": triangle(found.mean_covariance),
        "new_class": {kind: triangle(CLASS * general[1]) for kind in KINDS},
        "between": triangle(found.covariance),
        "scales": _scales(books),
        "places": [],
        "moved": learnt_moves([(book.moves, book.kept) for book in books]),
    }
    content["places"] = best_places(content, books)
    return Experience(content)


def doubted(books: int) -> float:
    """Return how far the experience of so many logbooks counts, 0 to 1."""
    return books / (books + DOUBT)


def shared_settings(books: Sequence[BookMessage]) -> tuple[CodedSetting, ...]:
    """Return every setting of the books, once, around the middle of what they are in use."""
    by_key: dict[str, list[CodedSetting]] = {}
    for book in books:
        for setting in book.settings:
            by_key.setdefault(setting.key, []).append(setting)
    return tuple(
        CodedSetting(
            key,
            some[0].stage,
            some[0].unit,
            some[0].log,
            float(np.median([s.centre for s in some])),
            float(np.median([s.half for s in some])),
            some[0].levels,
        )
        for key, some in sorted(by_key.items())
    )


def _fields(
    books: Sequence[BookMessage], shared: Sequence[CodedSetting], mean: Array, covariance: Array
) -> tuple[list[str], Hierarchy]:
    """Return the names of the classes, and the hierarchy fitted over all benches and each class."""
    p = len(mean)
    names = sorted({name for book in books for f in book.fields for name in f.classes})
    precision, information, weight, patterns = [], [], [], []
    for book in books:
        scaled = change_of_scale(book.settings, shared)
        for f in book.fields:
            precision.append(scaled @ f.message.precision @ scaled.T)
            information.append(scaled @ f.message.information)
            weight.append(f.weight)
            patterns.append(f.classes)
    different = sorted(set(patterns))
    designs = np.zeros((len(different), p, p * (1 + len(names))))
    for k, classes in enumerate(different):
        for block in (0, *(1 + names.index(name) for name in classes)):
            designs[k, :, block * p : (block + 1) * p] = np.eye(p)
    groups = Groups(
        np.array(precision),
        np.array(information),
        designs,
        np.array([different.index(classes) for classes in patterns]),
        np.array(weight),
    )
    tight = np.asarray(np.linalg.inv(covariance), dtype=float)
    blocks = [tight / COMMON, *([tight / CLASS] * len(names))]
    start = np.concatenate([mean, np.zeros(p * len(names))])
    prior = HierarchyPrior(
        start,
        block_diag(*blocks),
        BETWEEN * STRENGTH * covariance,
        p + 1.0 + STRENGTH,
        _parts(len(shared)),
        PART_SD,
    )
    return names, fit_hierarchy(groups, prior)


def _parts(settings: int) -> NDArray[np.int_]:
    """Return which part each coefficient is of: level, slopes, bends, pairs."""
    return np.repeat([0, 1, 2, 3], [1, settings, settings, settings * (settings - 1) // 2])


def _scales(books: Sequence[BookMessage]) -> list[dict[str, Any]]:
    """Return centre and sd of every scale for a new bench."""
    mean, covariance = scale_prior(1)
    groups = Groups(
        np.array([b.scales.precision for b in books]),
        np.array([b.scales.information for b in books]),
        np.eye(len(mean))[None],
        np.zeros(len(books), dtype=int),
        np.ones(len(books)),
    )
    share = BETWEEN / (BETWEEN + COMMON)
    prior = HierarchyPrior(
        mean,
        np.asarray(np.linalg.inv((1.0 - share) * covariance), dtype=float),
        share * SCALE_STRENGTH * covariance,
        len(mean) + 1.0 + SCALE_STRENGTH,
    )
    found = fit_hierarchy(groups, prior)
    sd = np.sqrt(np.diag(found.covariance + found.mean_covariance))
    return [
        {
            "name": scale.name,
            "centre": round(float(at), 4),
            "sd": round(float(wide), 4),
            "is_share": scale.is_share,
            "general": f"{scale.at(0.0):.2f}, {scale.at(-1.0):.2f} to {scale.at(1.0):.2f}",
        }
        for scale, at, wide in zip(HYPER_PRIORS, found.mean, sd, strict=True)
    ]


def triangle(covariance: Array) -> list[float]:
    """Return the lower triangle of a covariance, row by row."""
    return _digits(covariance[np.tril_indices(len(covariance))])


def _count(key: str, books: Sequence[BookMessage]) -> int:
    return sum(key in {setting.key for setting in book.settings} for book in books)


def _digits(values: Array) -> list[float]:
    return [float(f"{value:.7g}") for value in values]


def _rounded(table: dict[str, Any]) -> dict[str, Any]:
    return {k: float(f"{v:.7g}") if isinstance(v, float) else v for k, v in table.items()}
