"""Dial in again after a change, with earlier presses as prior knowledge."""
