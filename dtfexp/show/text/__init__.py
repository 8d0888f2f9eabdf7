"""Words, tables and cautions that every paper shares."""
