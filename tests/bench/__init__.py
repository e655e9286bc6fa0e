"""Benchmarks: ratios measured in one run. Not tests: nothing here passes or fails."""
