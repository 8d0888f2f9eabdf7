"""Readings so far off their settings that the pen slipped, not the machine."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A machine is off by its median over at least so many other readings; before, it is taken as right.
_OTHERS = 3
_SPREADS = 5.0


def doubtful_readings(off: Array, spread: Array, far: float) -> NDArray[np.bool_]:
    """Return which readings (n,) are doubtful; ``off``: reading less setting, NaN without one.

    A machine is off by what it was off at the other presses (their median, of three or more), give
    or take five of its spreads; a slipped decimal or swapped digits are off by more, and by a good
    part of the range, ``far``. Such a reading would put its press where nothing else was pressed
    and bend the field alone: the press counts at what was set, as if nothing had been read. All in
    codes. How far is far: common practice, no source. METHODS.md, section 3.
    """
    usual = np.zeros(len(off))
    for i in range(len(off)):
        others = np.delete(off, i)
        others = others[np.isfinite(others)]
        if len(others) >= _OTHERS:
            usual[i] = np.median(others)
    return np.asarray(np.abs(off - usual) > np.maximum(far, _SPREADS * spread))
