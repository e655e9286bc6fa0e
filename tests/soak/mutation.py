"""Broken copies of good inputs, by seed: cut, flipped, repeated, spliced, sizes and counts replaced by extremes."""

from __future__ import annotations

import random
import struct

_EXTREMES = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)


def mutated(content: bytes, picked: random.Random, pieces: tuple[bytes, ...], *, head: int) -> bytes:
    """A broken copy; most of the harm is done in the first `head` bytes."""
    out = bytearray(content)
    for _ in range(picked.randrange(1, 6)):
        at = picked.randrange(min(len(out), head if picked.random() < 0.8 else len(out)) + 1) if out else 0
        way = picked.randrange(7)
        if way == 0:
            del out[at : at + picked.randrange(1, 64)]
        elif way == 1 and at < len(out):
            out[at] ^= 1 << picked.randrange(8)
        elif way == 2:
            piece = picked.choice(pieces)
            out[at : at + (len(piece) if picked.random() < 0.5 else 0)] = piece
        elif way == 3:
            out[at : at + 4] = struct.pack(picked.choice("<>") + "I", picked.choice(_EXTREMES))
        elif way == 4:
            out = out[: picked.randrange(len(out) + 1)]
        elif way == 5:
            out[at:at] = out[at : at + picked.randrange(1, 200)]
        elif at + 2 <= len(out):
            out[at : at + 2] = struct.pack(picked.choice("<>") + "H", picked.choice(_EXTREMES) & 0xFFFF)
    return bytes(out)
