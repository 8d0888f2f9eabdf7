"""Expectation propagation: Gaussian sites in place of grades, and the posterior they leave."""
