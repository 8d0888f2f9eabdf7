"""The test print: its geometry and code, its artwork as arrays, and grades from its measures."""
