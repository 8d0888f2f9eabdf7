"""Read free text about a print as signs of the trade."""
