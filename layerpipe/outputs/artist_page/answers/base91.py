"""Bytes as text for a page: 13 bits in two of 91 printable ASCII characters.

log2(91^2) = 13.016, so the text is 8 % shorter than base64. It contains no `<`, `&` or backslash, so nothing in it can
end the HTML element that holds it. The page's `bytesOfText` (source.js) reads it.
"""

from __future__ import annotations

import numpy as np

ALPHABET = bytes(code for code in range(0x21, 0x7F) if chr(code) not in "<&\\")


def text_of_bytes(data: bytes) -> bytes:
    """Write bytes as ASCII text, 13 bits in two characters; the page's `bytesOfText` reads them."""
    # Thirteen bytes hold eight values; each is cut from the two or three bytes that contain it.
    padded = np.zeros((-(-len(data) // 13), 13), np.uint8)
    padded.reshape(-1)[: len(data)] = np.frombuffer(data, np.uint8)
    columns = np.ascontiguousarray(padded.T).astype(np.uint32)
    signs = np.frombuffer(ALPHABET, np.uint8)
    pairs = np.stack([np.repeat(signs, 91), np.tile(signs, 91)], axis=1).view(np.uint16)[:, 0]
    written = np.empty((len(padded), 8), np.uint16)
    for place in range(8):
        first, shift = divmod(13 * place, 8)
        window = columns[first] << 16 | columns[first + 1] << 8
        if first + 2 < 13:
            window |= columns[first + 2]
        written[:, place] = pairs.take(window >> (11 - shift) & 0x1FFF)
    return written.tobytes()[: text_characters(len(data))]


def text_characters(count: int) -> int:
    """How many characters `count` bytes become."""
    return 2 * -(-8 * count // 13)


def bytes_of_text(text: bytes, count: int) -> bytes:
    """Read `count` bytes back from their text."""
    value = np.zeros(128, np.uint16)
    value[np.frombuffer(ALPHABET, np.uint8)] = np.arange(len(ALPHABET))
    pairs = value[np.frombuffer(text, np.uint8)].reshape(-1, 2)
    thirteens = pairs[:, :1] * 91 + pairs[:, 1:]
    bits = ((thirteens >> np.arange(12, -1, -1, dtype=np.uint16)) & 1).astype(np.uint8)
    return np.packbits(bits).tobytes()[:count]
