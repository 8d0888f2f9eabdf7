"""Pass rate of a new press, joint posterior, leave-one-out predictive, sensitivity."""
