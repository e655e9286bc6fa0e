"""A metronome in a take: how it is found, what its ticks sound like, the take without them."""
