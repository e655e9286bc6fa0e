"""Choosing among the passes of takes: what each is like, section by section, and which of them make the best double."""
