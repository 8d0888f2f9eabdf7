"""What a plan can tell before it is pressed: aliasing, detectable effects, efficiency."""
