"""Sheet files as plain tables of cells, and text that no spreadsheet takes for a formula."""
