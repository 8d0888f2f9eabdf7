"""``show_learnt``, at the import path used by older copies of the notebooks."""

from dtfexp.show.notebook.learnt import show_learnt

__all__ = ["show_learnt"]
