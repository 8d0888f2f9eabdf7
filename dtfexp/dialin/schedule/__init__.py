"""Oven loads, press rounds, pressing order, timeline and cost of a plan."""
