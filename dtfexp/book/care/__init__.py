"""A logbook looked after: checked, copied by age, and saved from a damaged file."""
