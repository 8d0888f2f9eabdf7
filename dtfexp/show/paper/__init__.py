"""Printed papers: settings card, run sheet, coupon labels."""
