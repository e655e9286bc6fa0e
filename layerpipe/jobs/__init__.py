"""What each command asks for, from the recipe to the files: one job a module, the same for Python and command line."""
