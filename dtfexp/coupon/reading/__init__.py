"""A coupon read from a picture: found by its code, laid straight, lit evenly, measured."""
