"""Audio files: their headers, reading, resampling and writing."""
