"""Changes of a recipe's text that keep its comments, order and layout."""
