"""Monitor production: daily counts, alarms, signs seen on prints and their causes."""
