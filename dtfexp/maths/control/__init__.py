"""Acceptance of lots and cumulative sums over counts."""
