"""The report of a check."""
