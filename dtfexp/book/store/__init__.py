"""One SQLite file: opening, schema, entries, journal, photos, archive."""
