"""Forms of fields, buttons and lists in a notebook: one script, their contents from the kernel."""
