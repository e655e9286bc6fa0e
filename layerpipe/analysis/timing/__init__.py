"""How tight takes are, and which edits are worth making."""
