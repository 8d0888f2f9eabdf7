"""Confirm a window by fresh presses, with a verdict."""
