"""Evaluate a plan before it is pressed: aliasing, detectable effects, efficiency."""
