"""Oven loads, press rounds, running order, clock and cost of a plan."""
