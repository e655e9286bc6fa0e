"""Which notes sound, and which take of a song plays other ones."""
