"""The operating window of a fabric: box, target and what stops each edge."""
