"""Floor 6: the command line and the demo bench."""
