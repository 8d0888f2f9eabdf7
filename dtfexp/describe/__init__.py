"""Describe a session: units, factors, outcomes, fabrics and the bench, as frozen checked values."""
