"""Ordinal likelihood, expectation propagation and integration over hyperparameters."""
