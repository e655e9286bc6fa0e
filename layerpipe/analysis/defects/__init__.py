"""Clipping, clicks, noise, hum, drop-outs, tuning."""
