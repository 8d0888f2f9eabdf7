"""The logbook as notebooks know it: one that can also show the recording form.

``book`` stands below ``show`` and knows no form, so the form joins it here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.book import logbook

if TYPE_CHECKING:
    from dtfexp.show.recorder.recorder import Recorder


class Logbook(logbook.Logbook):
    __doc__ = logbook.Logbook.__doc__

    def recorder(self) -> Recorder:
        """Return the recording form on this logbook, to be the last line of a notebook cell.

        The logbook must stay open as long as the form is used.
        """
        from dtfexp.show.recorder.recorder import recorder

        return recorder(self)
