"""A progress bar for work of more than a second, on stderr."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

#: Called with (steps done, steps in all, next step).
Told = Callable[[int, int, str], None]


@contextmanager
def progress(what: str) -> Iterator[Told]:
    """Yield a function that moves the bar, which disappears when done."""
    from tqdm import tqdm

    layout = "{desc:<34} {bar} {percentage:3.0f} %  {elapsed}"
    with tqdm(total=1, desc=what, bar_format=layout, leave=False, file=sys.stderr) as bar:

        def told(done: int, steps: int, now: str) -> None:
            bar.total = steps
            bar.n = done
            bar.set_description_str(now[:34])
            bar.refresh()

        told(0, 1, what)
        yield told
