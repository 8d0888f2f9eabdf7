"""Floor 1: units, factors, outcomes, fabrics and the session; plain, validated, frozen values."""
