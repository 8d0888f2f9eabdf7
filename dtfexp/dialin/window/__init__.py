"""The operating window of a fabric: box, target and the limit at each edge."""
