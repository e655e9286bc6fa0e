"""Listening files per section."""
