"""The expected value of a batch of presses."""
