"""The report: a page, tables for machines, photos."""
