"""Gain that follows the level: the compressor, its threshold, and the limiter."""
