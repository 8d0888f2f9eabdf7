"""The report: a page, machine-readable tables, photos."""
