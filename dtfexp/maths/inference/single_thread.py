"""One thread for sums over many small matrices.

Shared out over threads such sums are no faster, and wait for one another where the machine is busy:
a fit of 152 rows took 0.9 s either way on two idle cores, 1.4 s by one thread and 3.8 s by two
beside two busy processes.  They also round differently with the number of threads: with one, the
same arguments give the same bytes.
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
    """The libraries' threads are held to one while anybody is inside; the first one in takes them,
    the last one out gives back what was set before."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._inside = 0
        self._libraries: ThreadpoolController | None = None
        self._limit: Any = None

    def __enter__(self) -> None:
        with self._lock:
            self._inside += 1
            if self._inside == 1:
                # Looked for when first needed: only libraries that are loaded are found.
                self._libraries = self._libraries or ThreadpoolController()
                self._limit = self._libraries.limit(limits=1)

    def __exit__(self, *error: object) -> None:
        with self._lock:
            self._inside -= 1
            if self._inside == 0:
                self._limit.restore_original_limits()


SINGLE_THREAD = _SingleThread()


def single_threaded(work: Callable[P, R]) -> Callable[P, R]:
    """``work`` as it is, done by one thread."""

    @wraps(work)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        with SINGLE_THREAD:
            return work(*args, **kwargs)

    return alone
