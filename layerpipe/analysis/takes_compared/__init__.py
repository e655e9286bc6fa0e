"""Takes beside each other over seconds: which onsets belong together, how far apart takes are, which notes differ."""
