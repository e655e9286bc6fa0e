"""The cache of processed takes."""
