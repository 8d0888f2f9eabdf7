"""Floor 3: results, layout, plan, fit, window and next presses; pandas in, pandas out."""
