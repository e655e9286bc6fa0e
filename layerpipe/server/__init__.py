"""The artist's page on a small web server for the local network: it shows pages and collects answers.

The server knows pages, files and answers by name. It knows nothing of how sound is made, and it writes one file only,
the comments beside the recipe.
"""
