"""Takes of voices, bowed strings and winds: compared with each other by phrases, not with a grid."""
