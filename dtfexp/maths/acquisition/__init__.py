"""The value of a batch of presses before it is made."""
