"""What an audio file's own header says, read before any library opens the file.

libsndfile silently shortens a WAV whose header claims more than the file holds, silently drops audio after a length
that is too short, and takes some file endings for a format. So the first bytes decide what a file is, and the sizes in
the header are compared with the real one. Sizes are bytes. Layouts: RIFF and WAVE (IBM and Microsoft, 1991), RF64 and
BW64 with `ds64` (EBU Tech 3306, ITU-R BS.2088), AIFF (1989), CAF (2011), Wave64 (64-bit chunks named by 16-byte ids),
FLAC (RFC 9639), ID3v2 tags.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO

from msgspec import Struct
from msgspec.structs import replace

_NO_FILE_REACHES = 1 << 63
"""A 64-bit length of a damaged header leads there; a file cannot be asked for it."""
_MOST_CHUNKS = 10_000
_STREAMED = 0xFFFFFFFF
_WAVE64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")


class Header(Struct, frozen=True):
    """Where the audio is according to the header; None where the header does not say (FLAC counts samples instead)."""

    kind: str
    sound_start: int | None = None
    sound_bytes: int | None = None
    unfinished: bool = False
    """The length was never filled in, because the recording was cut off."""
    extra_bytes: int = 0
    """Bytes after the audio that are no chunks and not only zeros: audio that a too-short length leaves out."""
    time_reference: int | None = None
    """Time stamp of a Broadcast WAVE file: samples since midnight at which it begins."""


def parse_header(file: BinaryIO, size: int) -> Header | None:
    """Read the header of an open file.

    Parameters
    ----------
    file : binary file, at any position
    size : int
        Length of the file in bytes.

    Returns
    -------
    Header or None
        None if the first bytes belong to no supported container.
    """
    file.seek(0)
    head = file.read(16)
    form = _peek(file, 8, 4)
    if head[:4] in (b"RIFF", b"RF64", b"BW64") and form == b"WAVE":
        return _riff(file, size, head[:4])
    if head[:4] == b"RIFX" and form == b"WAVE":
        return _search("WAV", _chunks(file, size, 12, ">4sI"), b"data")
    if head[:4] == b"FORM" and form in (b"AIFF", b"AIFC"):
        # AIFF samples follow two numbers, offset and block size.
        found = _search("AIFF", _chunks(file, size, 12, ">4sI"), b"SSND", skip=8)
        end = (found.sound_start or size) + (found.sound_bytes or 0)
        return replace(found, extra_bytes=_extra_bytes(file, end, size, ">4sI"))
    if head[:4] == b"riff" and head[4:16] != b"":
        return _search("W64", _wave64_chunks(file, size), b"data")
    if head[:4] == b"caff":
        return _core_audio(file, size)
    if head[:4] == b"fLaC" or (head[:3] == b"ID3" and _peek(file, _tag_length(head), 4) == b"fLaC"):
        return Header("FLAC")
    return None


def _peek(file: BinaryIO, at: int, length: int) -> bytes:
    """Bytes at an offset; fewer at the end of the file, and none where no file reaches."""
    if at >= _NO_FILE_REACHES:
        return b""
    file.seek(at)
    return file.read(length)


def _tag_length(head: bytes) -> int:
    """Length of an ID3v2 tag with its header: seven bits a byte, so that no byte looks like MPEG audio."""
    length = 0
    for byte in head[6:10]:
        length = length << 7 | byte & 0x7F
    return length + 10


def _chunks(file: BinaryIO, size: int, at: int, layout: str) -> Iterator[tuple[bytes, int, int]]:
    """Names, starts and lengths of chunks padded to even length; stops after a number that no real file has."""
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


def _search(kind: str, chunks: Iterator[tuple[bytes, int, int]], wanted: bytes, *, skip: int = 0) -> Header:
    """The header as the first chunk with samples gives it."""
    for name, start, length in chunks:
        if name == wanted:
            return Header(kind, start + skip, max(length - skip, 0), unfinished=length == _STREAMED)
    return Header(kind)


def _riff(file: BinaryIO, size: int, name: bytes) -> Header:
    """WAV, and RF64 and BW64, whose true sizes are in a `ds64` chunk."""
    kind = "WAV" if name == b"RIFF" else "RF64"
    true_bytes = None
    stamp: int | None = None
    for chunk, start, length in _chunks(file, size, 12, "<4sI"):
        if chunk == b"ds64" and length >= 24:
            true_bytes = int.from_bytes(_peek(file, start + 8, 8), "little")
        elif chunk == b"bext":
            stamp = _time_reference(file, start, length)
        elif chunk == b"data":
            if length == _STREAMED and true_bytes is not None:
                length = true_bytes
            # A recorder that was cut off leaves 0 or the largest number as the length.
            unfinished = length in (0, _STREAMED) and size > start + 8
            if stamp is None and not unfinished:
                # Some recorders write it after the audio.
                behind = _chunks(file, size, start + length + length % 2, "<4sI")
                stamp = next((_time_reference(file, at, long) for name, at, long in behind if name == b"bext"), None)
            return Header(kind, start, length, unfinished, _extra_bytes(file, start + length, size, "<4sI"), stamp)
    return Header(kind)


def _time_reference(file: BinaryIO, start: int, length: int) -> int | None:
    """The time reference of a `bext` chunk; None if the chunk is too short for one. EBU Tech 3285 v2, clause 2.3."""
    return int.from_bytes(_peek(file, start + 338, 8), "little") if length >= 346 else None


def _extra_bytes(file: BinaryIO, end: int, size: int, layout: str) -> int:
    """Bytes after the audio that are neither chunks, padded or not, nor zeros (as far as the first MiB shows)."""
    if end >= size or any(_is_chunks(file, at, size, layout) for at in (end + end % 2, end)):
        return 0
    return size - end if any(_peek(file, end, 1 << 20)) else 0


def _is_chunks(file: BinaryIO, at: int, size: int, layout: str) -> bool:
    """Whether a part of a file is nothing but chunks."""
    return size - at < 8 or all(name.isascii() and name.decode().isprintable() and start + length <= size
                                for name, start, length in _chunks(file, size, at, layout))


def _core_audio(file: BinaryIO, size: int) -> Header:
    """CAF: 64-bit chunks, not padded; a data chunk of length -1 runs to the end of the file."""
    at = 8
    for _ in range(_MOST_CHUNKS):
        head = _peek(file, at, 12)
        if len(head) < 12:
            break
        name, length = struct.unpack(">4sq", head)
        if name == b"data":
            return Header("CAF", at + 12, size - at - 12 if length == -1 else length)
        at += 12 + length
        if length < 0 or at >= size:
            break
    return Header("CAF")
