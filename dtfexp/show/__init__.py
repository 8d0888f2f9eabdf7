"""Floor 5: figures, report, settings card and the recording form."""
