"""Pictures and listening files of a timing report."""
