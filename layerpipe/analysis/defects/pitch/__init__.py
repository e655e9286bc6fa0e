"""The band below 1.5 kHz, and what it says about tuning and the lowest notes."""
