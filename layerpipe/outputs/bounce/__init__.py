"""A bounce: stems, layers, blend, delivery sheet, manifest."""
