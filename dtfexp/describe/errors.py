"""The errors that a user of dtfexp can meet.

Every message is one line: the place, the value, and what is accepted. All but the root are also
``ValueError``, so that callers can catch them without importing dtfexp.
"""

from __future__ import annotations


class DtfexpError(Exception):
    """Root of every error that dtfexp raises on purpose."""


class SessionError(DtfexpError, ValueError):
    """A session description (factor, outcome, fabric, bench or its file) is invalid."""


class PlanError(DtfexpError, ValueError):
    """The requested plan cannot be made."""


class ResultsError(DtfexpError, ValueError):
    """A results frame holds a value that cannot be a result."""


class LogbookError(DtfexpError, ValueError):
    """A logbook cannot be opened, or an entry or imported sheet does not match it."""


class CouponError(DtfexpError, ValueError):
    """A coupon cannot be drawn, or a picture of one cannot be read."""
