"""What the artist sends back: as a line, as mail, as a file."""
