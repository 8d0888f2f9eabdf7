"""One thread for sums over many small matrices.

Several threads make such sums no faster, and wait for one another on a busy machine: a fit of 152
rows took 0.9 s either way on two idle cores, 1.4 s with one thread and 3.8 s with two beside two
busy processes. Rounding also depends on the number of threads: with one, the same arguments give
the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from threading import Lock
from typing import Any, ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")


class _SingleThread:
    """A context in which the libraries use one thread.

    The first to enter sets it, the last to leave restores the earlier state.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._inside = 0
        self._libraries: ThreadpoolController | None = None
        self._limit: Any = None

    def __enter__(self) -> None:
        with self._lock:
            self._inside += 1
            if self._inside == 1:
                # Created on first use, because only loaded libraries are found.
                self._libraries = self._libraries or ThreadpoolController()
                self._limit = self._libraries.limit(limits=1)

    def __exit__(self, *error: object) -> None:
        with self._lock:
            self._inside -= 1
            if self._inside == 0:
                self._limit.restore_original_limits()


SINGLE_THREAD = _SingleThread()


def single_threaded(work: Callable[P, R]) -> Callable[P, R]:
    """Return ``work`` executed with one thread."""

    @wraps(work)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        with SINGLE_THREAD:
            return work(*args, **kwargs)

    return alone
