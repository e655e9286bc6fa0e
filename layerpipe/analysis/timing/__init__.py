"""How tight takes are, and the edits worth making."""
