"""Floor 4: the logbook (one SQLite file) and its sheets (CSV, .xlsx)."""
