"""Air and infrared readings."""
