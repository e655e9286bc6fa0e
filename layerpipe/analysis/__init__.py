"""What is true of a take; nothing here writes files or draws."""
