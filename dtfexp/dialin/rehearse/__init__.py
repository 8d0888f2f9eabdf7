"""Rehearse a session on simulated benches before the first press."""
