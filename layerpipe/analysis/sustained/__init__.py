"""Takes of voices, bowed strings and winds: they are compared with each other, phrase by phrase, and not with the grid."""
