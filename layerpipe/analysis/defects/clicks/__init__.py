"""Clicks: the search, what prediction leaves of them, and the verdict."""
