"""The terms of a confirmation, where notebooks copied earlier look for them."""

from dtfexp.dialin.confirm.terms import Terms

__all__ = ["Terms"]
