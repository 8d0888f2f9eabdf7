"""What earlier sessions taught, joined into one prior, and made the prior of a new session."""
