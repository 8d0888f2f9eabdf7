"""Design plans of test presses: the first look and the families of the literature."""
