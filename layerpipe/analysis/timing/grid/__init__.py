"""Tempo, meter and bar 1, and onsets aligned to that grid."""
