"""One song's recipe in three ways of writing TOML, with remarks."""

from __future__ import annotations

TABLES = """\
# A song.   Spaces and remarks   are the writer's own.
[song]
title = "Lantern on the Pier"   # the pier at night
tempo = 58.0      # slow
meter = "6/8"

# where it begins
[[section]]
name = "verse"
bars = [1, 4]     # first and last
levels_db = { octave = -inf }   # waits

[[section]]
name = "chorus"
bars = [
    5,  # first
    8,
]

# the octave rests here
[[section]]
name = "end"
bars = [9, 10]
[section.levels_db]
octave = -12.0  # hardly there

# the pair
[[layer]]
name = "regular"
[layer.chain]
high_pass = [{ hz = 40 }]

# left
[[layer.take]]
name = "left"
file = 'takes\\left.wav'
[layer.take.notes]
strings = "regular"

# right
[[layer.take]]
name = "right"
file = "right.wav"

[[layer.take.move]]  # by hand
from = "bar 1"
to = "bar 1 beat 2"
by_ms = 5

# the octave pair
[[layer]]
name = "octave"
level_db = -9  # to taste
[[layer.take]]
name = "left"
file = "octave.wav"
move = [
    # mine
    { from = 4, to = 5, by_ms = 10.0 },   # a remark
]
"""
BRACES = """\
song = { title = "Lantern on the Pier", tempo = 58 } # all in one
section = [{ name = "verse", bars = [1, 4] }, { name = "chorus", bars = [5, 8], levels_db = { "octave" = -3.50 } }]
layer = [
    { name = "regular", take = [{ name = "left", file = "a" }, { name = "right", file = "b", mute = true }] },  # pair
    { name = "octave", level_db = 0x0, take = [{ name = "left", file = "c" }] },
]
"""
DOTTED = """\
song.title = "Lantern on the Pier"
song.tempo = 58
[[section]]
name = "verse"
bars = [1, 4]
levels_db.octave = -3  # low
[[layer]]
name = "regular"
[[layer.take]]
name = "left"
file = "a"
[[layer.take]]
name = "right"
file = "b"
[[layer]]
name = "octave"
chain.high_pass = [{ hz = 40 }]
[[layer.take]]
name = "left"
file = "c"
"""
WAYS = {"tables": TABLES, "braces": BRACES, "dotted": DOTTED}
