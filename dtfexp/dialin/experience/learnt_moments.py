"""Mean and covariance of a new bench's low-order part, read off an experience."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def square(triangle: list[float]) -> Array:
    """Return a symmetric matrix (p, p) from its lower triangle."""
    p = int((np.sqrt(8 * len(triangle) + 1) - 1) / 2)
    out = np.zeros((p, p))
    out[np.tril_indices(p)] = triangle
    return np.asarray(out + np.tril(out, -1).T)


def moments(content: Mapping[str, Any], classes: Iterable[str]) -> tuple[Array, Array]:
    """Return mean (p,) and covariance (p, p) at shared codes for a bench of these classes.

    A class that no logbook knew has the mean of all, and the variance that classes have.
    METHODS.md, section 16.
    """
    p, names = len(content["common"]), list(content["classes"])
    joint = square(content["joint"])
    mean, covariance = np.array(content["common"], dtype=float), square(content["between"])
    blocks = [0]
    for name in classes:
        if name in names:
            blocks.append(1 + names.index(name))
            mean = mean + np.array(content["classes"][name], dtype=float)
        else:
            covariance = covariance + square(content["new_class"][name.partition(":")[0]])
    rows = [np.arange(p * k, p * (k + 1)) for k in blocks]
    for one in rows:
        for other in rows:
            covariance = covariance + joint[np.ix_(one, other)]
    # Digits left out of the file may make it a little less than a covariance.
    values, vectors = np.linalg.eigh(covariance)
    return mean, np.asarray((vectors * np.maximum(values, 1e-9 * values[-1])) @ vectors.T)
