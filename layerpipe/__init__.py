"""layerpipe builds layered doubles from stems."""

__version__ = "0.1.0"
