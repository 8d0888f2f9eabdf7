"""The small tree of errors that a user of dtfexp can meet.

Every message is one line that names the place, the value, and what would be accepted.
All but the root are also ``ValueError``, so a caller who knows nothing of dtfexp can catch them.
"""

from __future__ import annotations


class DtfexpError(Exception):
    """Root of every error that dtfexp raises on purpose."""


class SessionError(DtfexpError, ValueError):
    """A session description (factor, outcome, fabric, bench or its file) does not make sense."""


class PlanError(DtfexpError, ValueError):
    """A plan was asked for that cannot be made."""


class ResultsError(DtfexpError, ValueError):
    """A results frame holds a value that cannot be a result."""


class LogbookError(DtfexpError, ValueError):
    """A logbook cannot be opened, or an entry or an imported sheet does not fit it."""
