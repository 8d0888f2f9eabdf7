"""What people write of a print, read as the signs of the trade."""
