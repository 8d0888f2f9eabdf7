"""Records of machines, lots, room, steps, daily counts and opening checks."""
