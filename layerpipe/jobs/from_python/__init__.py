"""What a notebook calls: on arrays, and on recipes."""
