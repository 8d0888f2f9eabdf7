"""Encode settings, grades and readings as checked frames and coded arrays."""
