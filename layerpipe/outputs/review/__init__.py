"""The review page: every finding with its place, its sound as recorded and as proposed, and the change it asks for."""
