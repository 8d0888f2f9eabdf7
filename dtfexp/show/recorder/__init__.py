"""The recording form at the press."""
