"""Runs that try to break things: kills, faults, fuzz, sizes. One command each; a line of figures at the end."""
