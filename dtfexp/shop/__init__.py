"""Floor 6: the command line, the notebooks' steps, and the demo bench."""
