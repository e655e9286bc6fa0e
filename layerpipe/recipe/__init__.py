"""What a song asks for: the recipe, its text, its bars and beats."""
