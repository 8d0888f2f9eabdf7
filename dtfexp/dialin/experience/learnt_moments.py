"""Mean and covariance of a new bench's low-order part, read off an experience."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def square(triangle: list[float], p: int) -> Array:
    """Return a covariance (p, p) from its lower triangle, its rounding mended."""
    out = np.zeros((p, p))
    out[np.tril_indices(p)] = triangle
    out += np.tril(out, -1).T
    values, vectors = np.linalg.eigh(out)
    return np.asarray((vectors * np.maximum(values, 1e-9 * values[-1])) @ vectors.T)


def moments(content: Mapping[str, Any], classes: Iterable[str]) -> tuple[Array, Array]:
    """Return mean (p,) and covariance (p, p) at shared codes for a bench of these classes.

    A class that no logbook knew has the mean of all, and the variance that classes have.
    """
    p = len(content["common"]["mean"])
    mean = np.array(content["common"]["mean"], dtype=float)
    covariance = square(content["between"], p) + square(content["common"]["covariance"], p)
    for name in classes:
        own = content["classes"].get(name)
        kind = name.partition(":")[0]
        if own is not None:
            mean = mean + np.array(own["mean"], dtype=float)
            covariance = covariance + square(own["covariance"], p)
        elif kind in content["new_class"]:
            covariance = covariance + square(content["new_class"][kind], p)
    return mean, covariance
