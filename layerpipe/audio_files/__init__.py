"""Sound files: what they hold, reading and writing them."""
