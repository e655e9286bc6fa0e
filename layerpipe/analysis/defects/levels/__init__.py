"""The level of a take: every 10 ms, as a whole, and of talk before the song."""
