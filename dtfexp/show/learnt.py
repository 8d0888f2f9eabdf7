"""What a fit understood, where notebooks copied earlier look for it."""

from dtfexp.show.notebook.learnt import show_learnt

__all__ = ["show_learnt"]
