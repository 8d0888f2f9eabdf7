"""Invented pictures for the demo: coupons drawn as if washed and photographed."""
