"""The explorer, where notebooks copied earlier look for it."""

from dtfexp.show.notebook.explorer import Explorer

__all__ = ["Explorer"]
