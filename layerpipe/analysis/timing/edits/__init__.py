"""Which edits are worth making, and what is better re-recorded."""
