"""Listening files."""
