"""From takes to the blend."""
