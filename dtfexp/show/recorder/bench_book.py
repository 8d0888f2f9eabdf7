"""The logbook of the notebooks, which can also show the recording form.

``book`` is below ``show`` and has no form, so the form is added here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.book import logbook

if TYPE_CHECKING:
    from dtfexp.show.recorder.recorder import Recorder


class Logbook(logbook.Logbook):
    """A logbook with its recording form."""

    __doc__ = logbook.Logbook.__doc__

    def recorder(self) -> Recorder:
        """Return the recording form on this logbook, as the last line of a notebook cell.

        The logbook must stay open while the form is used.
        """
        from dtfexp.show.recorder.recorder import recorder

        return recorder(self)
