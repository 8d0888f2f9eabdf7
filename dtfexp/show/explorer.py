"""The explorer, at the import path used by older copies of the notebooks."""

from dtfexp.show.notebook.explorer import Explorer

__all__ = ["Explorer"]
