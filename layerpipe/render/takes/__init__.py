"""Takes opened: files at their places, microphones, moves, passes and comps."""
