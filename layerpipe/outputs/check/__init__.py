"""Findings, report and pictures of a check."""
