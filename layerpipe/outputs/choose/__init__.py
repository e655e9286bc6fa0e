"""What `choose` shows: document, words, picture and listening files."""
