"""Independent pieces of work on all cores: workers beside this process, which does its share.

The answers are the same without workers, as on a single core.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.reduction import ForkingPickler
from threading import Lock
from typing import Any, TypeVar

R = TypeVar("R")

#: With fewer pieces this process is done before a worker has loaded what it needs.
FEWEST_PIECES = 3
#: Seconds without work after which a worker ends.
_PATIENCE = 60
#: The executor that this process used last; its workers end when they have nothing to do.
_USED: list[Any] = []
#: Work on the workers that nobody waits for yet.
_BUSY: list[Future[Any]] = []
#: In a worker: the pieces that were sent last, as bytes and unpacked.
_SENT: dict[bytes, Sequence[Callable[[], Any]]] = {}


def side_by_side(
    pieces: Sequence[Callable[[], R]], told: Callable[[int], object] = int, *, start: bool = True
) -> list[R]:
    """Return the results of all pieces, in order; an error of a piece is raised here.

    Pieces and results must be picklable; a worker gets the pieces as they are now. ``told`` is
    called here with the number of each piece as its result is there. Workers take the first piece
    not taken yet, this process the last. Without ``start`` only workers that live already are
    used: short pieces are done before others have loaded what they need.
    """
    alive = any(executor._processes for executor in _USED)
    enough = len(pieces) > 1 if alive else start and len(pieces) >= FEWEST_PIECES
    further = _further_cores() if enough else 0
    # Packed before any is done: the executor packs later, in a thread, while a piece done here may
    # be changing what the others hold.
    sent = _packed(pieces) if further else b""
    found: dict[int, R] = {}
    taken: dict[int, Future[R]] = {}
    waiting, lock = deque(range(len(pieces))), Lock()

    def feed(before: Future[Any] | None = None) -> None:
        with lock:
            # Where a worker ended in the middle, this process does the rest.
            if not waiting or (before is not None and _broken(before)):
                return
            number = waiting.popleft()
            future = taken[number] = _workers(further).submit(_done, sent, number)
        future.add_done_callback(feed)

    # A worker with other work takes a piece when it has done all of it: a piece queued behind that
    # would be waited for here.
    _BUSY[:] = [one for one in _BUSY if not one.done()]
    for one in _BUSY[-further:]:
        one.add_done_callback(feed)
    for _ in range(further - len(_BUSY)):
        feed()
    while True:
        with lock:
            if not waiting:
                break
            number = waiting.pop()
        found[number] = pieces[number]()
        told(number)
    for number, future in sorted(taken.items()):
        try:
            found[number] = future.result()
        except BrokenProcessPool:  # the system ended the worker, as for want of memory
            found[number] = pieces[number]()
        told(number)
    return [found[number] for number in range(len(pieces))]


def beside(piece: Callable[[], R]) -> Callable[[], R]:
    """Start a piece on a worker, and return a function that waits for its result.

    On a single core the piece is done when its result is asked for.
    """
    further = _further_cores()
    if not further:
        return piece
    future: Future[R] = _workers(further).submit(_done, _packed([piece]), 0)
    _BUSY.append(future)

    def result() -> R:
        try:
            return future.result()
        except BrokenProcessPool:  # the system ended the worker, as for want of memory
            return piece()

    return result


def start_workers(load: Callable[[], object]) -> None:
    """Start the workers, so that each has done ``load`` when it is needed."""
    for _ in range(further := _further_cores()):
        _BUSY.append(_workers(further).submit(_done, _packed([load]), 0))


def _broken(done: Future[Any]) -> bool:
    return done.cancelled() or isinstance(done.exception(), BrokenProcessPool)


def end_workers() -> None:
    """End the workers: Python waits half a second for them when a program ends."""
    while _USED:
        _USED.pop().shutdown(wait=False, kill_workers=True)


def _packed(pieces: Sequence[Callable[[], Any]]) -> bytes:
    return bytes(ForkingPickler.dumps(pieces))


def _done(sent: bytes, number: int) -> Any:
    """Do one of the pieces sent, in a worker; they share what one of them keeps in a fit."""
    if sent not in _SENT:
        _SENT.clear()
        _SENT[sent] = ForkingPickler.loads(sent)
    return _SENT[sent][number]()


def _further_cores() -> int:
    from joblib import cpu_count

    return int(cpu_count()) - 1


def _workers(count: int) -> Any:
    """Return the executor, started when it is first asked for."""
    from joblib.externals.loky import get_reusable_executor

    # One thread each: the libraries would otherwise take all cores in every process.
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    _USED[:] = [get_reusable_executor(count, timeout=_PATIENCE, env=threads)]
    return _USED[0]
