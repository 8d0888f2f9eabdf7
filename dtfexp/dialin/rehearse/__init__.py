"""A session played on simulated benches before the first press is made."""
