"""What a sound file's own header promises, read before any library opens it.

libsndfile shortens a WAV that claims more than the file holds, and says nothing; and it takes some file names for a
format of their own. So the first bytes decide what a file is, and the promised size is compared with the real one.
Sizes are bytes. Layouts: RIFF and WAVE (IBM and Microsoft, 1991), RF64 and BW64 with `ds64` (EBU Tech 3306, ITU-R
BS.2088), AIFF (1989), CAF (2011), Wave64 (64-bit chunks named by 16-byte ids), FLAC (RFC 9639), ID3v2 tags.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

_MOST_CHUNKS = 10_000
_STREAMED = 0xFFFFFFFF
_WAVE64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")


@dataclass(frozen=True)
class Promise:
    """Where the sound lies by the header's word; None where the header does not say (FLAC counts frames instead)."""

    kind: str
    sound_start: int | None = None
    sound_bytes: int | None = None
    unfinished: bool = False
    """The header was never filled in: the recorder stopped before it could say how long the sound is."""


def promise_of(file: BinaryIO, size: int) -> Promise | None:
    """Read what the header of an open file promises.

    Parameters
    ----------
    file : binary file, at any position
    size : int
        Length of the file in bytes.

    Returns
    -------
    Promise or None
        None where the first bytes are of no container known here.
    """
    file.seek(0)
    head = file.read(16)
    form = _peek(file, 8, 4)
    if head[:4] in (b"RIFF", b"RF64", b"BW64") and form == b"WAVE":
        return _riff(file, size, head[:4])
    if head[:4] == b"RIFX" and form == b"WAVE":
        return _search("WAV", _chunks(file, size, 12, ">4sI"), b"data")
    if head[:4] == b"FORM" and form in (b"AIFF", b"AIFC"):
        # The sound of an AIFF begins after two numbers of its own, offset and block size.
        return _search("AIFF", _chunks(file, size, 12, ">4sI"), b"SSND", skip=8)
    if head[:4] == b"riff" and head[4:16] != b"":
        return _search("W64", _wave64_chunks(file, size), b"data")
    if head[:4] == b"caff":
        return _core_audio(file, size)
    if head[:4] == b"fLaC" or (head[:3] == b"ID3" and _peek(file, _tag_length(head), 4) == b"fLaC"):
        return Promise("FLAC")
    return None


def _peek(file: BinaryIO, at: int, length: int) -> bytes:
    """Bytes at a place; fewer at the end of the file."""
    file.seek(at)
    return file.read(length)


def _tag_length(head: bytes) -> int:
    """Length of an ID3v2 tag with its header: seven bits a byte, so that no byte looks like sound."""
    length = 0
    for byte in head[6:10]:
        length = length << 7 | byte & 0x7F
    return length + 10


def _chunks(file: BinaryIO, size: int, at: int, layout: str) -> Iterator[tuple[bytes, int, int]]:
    """Names, starts and lengths of chunks padded to even length; at most as many as a sane file has."""
    step = struct.calcsize(layout)
    for _ in range(_MOST_CHUNKS):
        head = _peek(file, at, step)
        if len(head) < step:
            return
        name, length = struct.unpack(layout, head)
        yield name, at + step, length
        at += step + length + length % 2
        if at >= size:
            return


def _wave64_chunks(file: BinaryIO, size: int) -> Iterator[tuple[bytes, int, int]]:
    """Chunks of Wave64: 16-byte names, 64-bit lengths that count their own header, steps of 8."""
    at = 40
    for _ in range(_MOST_CHUNKS):
        head = _peek(file, at, 24)
        if len(head) < 24:
            return
        length = int.from_bytes(head[16:24], "little")
        if head[4:16] != _WAVE64_TAIL or length < 24:
            return
        yield head[:4], at + 24, length - 24
        at += length + -length % 8
        if at >= size:
            return


def _search(kind: str, chunks: Iterator[tuple[bytes, int, int]], wanted: bytes, *, skip: int = 0) -> Promise:
    """The promise of the first chunk that holds sound."""
    for name, start, length in chunks:
        if name == wanted:
            return Promise(kind, start + skip, max(length - skip, 0), unfinished=length == _STREAMED)
    return Promise(kind)


def _riff(file: BinaryIO, size: int, name: bytes) -> Promise:
    """WAV, and its 64-bit kin whose true sizes stand in a `ds64` chunk."""
    kind = "WAV" if name == b"RIFF" else "RF64"
    true_bytes = None
    for chunk, start, length in _chunks(file, size, 12, "<4sI"):
        if chunk == b"ds64" and length >= 24:
            true_bytes = int.from_bytes(_peek(file, start + 8, 8), "little")
        elif chunk == b"data":
            if length == _STREAMED and true_bytes is not None:
                length = true_bytes
            # A recorder that was cut off leaves 0 or the largest number where the length should be.
            return Promise(kind, start, length, unfinished=length in (0, _STREAMED) and size > start + 8)
    return Promise(kind)


def _core_audio(file: BinaryIO, size: int) -> Promise:
    """CAF: 64-bit chunks, not padded; a data chunk of length -1 runs to the end of the file."""
    at = 8
    for _ in range(_MOST_CHUNKS):
        head = _peek(file, at, 12)
        if len(head) < 12:
            break
        name, length = struct.unpack(">4sq", head)
        if name == b"data":
            return Promise("CAF", at + 12, size - at - 12 if length == -1 else length)
        at += 12 + length
        if length < 0 or at >= size:
            break
    return Promise("CAF")
