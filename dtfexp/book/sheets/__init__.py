"""Results sheets in and out: CSV and .xlsx."""
