"""What a command hands over: files, pages, reports."""
