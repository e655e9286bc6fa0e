"""Many songs: lists of them, processes of one machine, workers of many."""
