"""Figures: each takes a result and optional Axes."""
