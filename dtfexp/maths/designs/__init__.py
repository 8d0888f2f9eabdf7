"""Coded designs, checked: classical, blocked, latin hypercube, optimal exchange."""
