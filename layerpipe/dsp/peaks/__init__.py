"""True peaks: of a sound, of many mixes, and of a mix at every gain."""
