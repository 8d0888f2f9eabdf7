"""Figures: each takes a result and, if wanted, Axes."""
