"""Inner products of layers and takes, and every loudness that follows from them."""
