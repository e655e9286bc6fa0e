"""When each strum or note begins."""
