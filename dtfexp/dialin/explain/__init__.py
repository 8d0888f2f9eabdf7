"""Explain a fit: effects, curves, failure sides, checks of single presses."""
