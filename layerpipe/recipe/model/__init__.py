"""What a recipe may hold, as classes."""
