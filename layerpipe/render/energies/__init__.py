"""Inner products of takes, and every loudness that follows from them."""
