"""What is wrong with a recipe, in words."""
