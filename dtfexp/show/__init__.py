"""Floor 5: figures, report, settings card and recording form."""
