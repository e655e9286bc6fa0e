"""Files and folders: written completely or not at all, read by several threads."""
