"""Linear models over coded settings: terms, efficiency, power, variance components."""
