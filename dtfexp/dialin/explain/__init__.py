"""Why the fit thinks so: effects, curves, failure sides, checks of single presses."""
