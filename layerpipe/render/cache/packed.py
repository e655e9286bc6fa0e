"""Frozen records of numbers, text and arrays as bytes, and back: what was heard of a sound, for the cache.

The type that is asked for says how bytes are read, never the bytes themselves: they hold JSON and raw arrays of a few
types, no names of classes and no code. Floats come back bit by bit. Arrays come back read-only.
"""

from __future__ import annotations

import functools
import hashlib
import io
import itertools
import json
import os
import types
import typing
from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from layerpipe.core.errors import DamagedFile

Arrays = list[np.ndarray]
Piece = bytes | memoryview

ARRAY_TYPES = ("<c8", "<f4", "<f8", "<i4", "<i8", "|b1")
_ALIGNED = 16
"""Bytes; arrays begin on a multiple."""
_HEAD = 8
"""Bytes of the length of the JSON text."""
_SEAL_BYTES = 32


class _Coder(NamedTuple):
    """To JSON, with arrays put aside; and from it."""

    to_json: Callable[[Any, Arrays], Any]
    from_json: Callable[[Any, Arrays], Any]
    is_plain: bool = False
    """Whether JSON holds such a value as it is."""


def pack(kind: Any, value: object) -> bytes:
    """Turn a value into bytes.

    Parameters
    ----------
    kind : type
        Of frozen dataclasses and named tuples, lists, tuples, dictionaries, unions, numbers, text, None and arrays.
    value : object
        Of that type; numbers may be numpy's.

    Raises
    ------
    TypeError
        If it is not of that type, or the type is none of these.

    Examples
    --------
    >>> unpack(tuple[float, str | None], pack(tuple[float, str | None], (0.1, None)))
    (0.1, None)
    """
    return b"".join(pack_pieces(kind, value))


def pack_pieces(kind: Any, value: object) -> list[Piece]:
    """The bytes of `pack` piece by piece: arrays are not copied, so they must not change meanwhile."""
    arrays: Arrays = []
    body = _coder(kind).to_json(value, arrays)
    text = json.dumps([[[one.dtype.str, one.shape] for one in arrays], body], separators=(",", ":")).encode()
    pieces: list[Piece] = [len(text).to_bytes(_HEAD, "little"), text]
    at = _HEAD + len(text)
    for one in arrays:
        pieces += [bytes(-at % _ALIGNED), one.reshape(-1).view(np.uint8).data]
        at += -at % _ALIGNED + one.nbytes
    return pieces


def unpack(kind: Any, data: bytes) -> Any:
    """Turn bytes from `pack` back into a value of the same type.

    Raises
    ------
    DamagedFile
        If they cannot be such a value.
    """
    return _decoded(kind, *_read(io.BytesIO(data), len(data)))


def seal_of(packed: Sequence[Piece], key: str) -> bytes:
    """Checksum over bytes and the key they are kept under."""
    digest = hashlib.sha256(key.encode())
    for piece in packed:
        digest.update(piece)
    return digest.digest()


def read_sealed(kind: Any, path: Path, key: str) -> tuple[Any, int]:
    """Read a value that was kept under a key, each array into memory of its own; and how many bytes are kept.

    Parameters
    ----------
    kind : type
    path : Path
    key : str

    Raises
    ------
    OSError
        If there is no such file.
    DamagedFile
        If it is not what was written.
    """
    digest = hashlib.sha256(key.encode())
    with path.open("rb") as file:
        size, seal = os.fstat(file.fileno()).st_size, file.read(_SEAL_BYTES)
        described = _read(file, size - _SEAL_BYTES, digest.update)
    if seal != digest.digest():
        raise DamagedFile("what was heard is not what was written")
    return _decoded(kind, *described), size


def _read(file: io.BufferedIOBase, size: int,
          on_read: Callable[[Piece], None] = lambda piece: None) -> tuple[Any, Arrays]:
    """The JSON and the arrays of packed bytes; a function is shown all that is read."""
    left = size

    def read(count: int, into: memoryview | None = None) -> memoryview:
        nonlocal left
        left -= count
        # Nothing is believed about sizes: memory for it may not be there.
        if count < 0 or left < 0:
            raise ValueError("bytes are missing")
        piece = memoryview(bytearray(count)) if into is None else into
        if count and file.readinto(piece) != count:
            raise ValueError("bytes are missing")
        on_read(piece)
        return piece

    try:
        described, body = json.loads(bytes(read(int.from_bytes(read(_HEAD), "little"))))
        arrays = Arrays()
        for name, shape in described:
            if name not in ARRAY_TYPES:
                raise ValueError(name)
            read((left - size) % _ALIGNED)
            count = int(np.prod(shape, dtype=np.int64)) * np.dtype(name).itemsize
            if not 0 <= count <= left:
                raise ValueError("bytes are missing")
            arrays.append(np.empty(shape, name))
            read(count, arrays[-1].reshape(-1).view(np.uint8).data)
            arrays[-1].flags.writeable = False
        if left:
            raise ValueError("there are more bytes")
        return body, arrays
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError, OSError) as mistake:
        raise DamagedFile(f"what was heard cannot be read: {mistake}") from mistake


def _decoded(kind: Any, body: Any, arrays: Arrays) -> Any:
    """The value of a type that JSON and arrays stand for."""
    try:
        return _coder(kind).from_json(body, arrays)
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError, RecursionError) as mistake:
        raise DamagedFile(f"what was heard cannot be read: {mistake}") from mistake


def _plain(kind: type, *accepted: type) -> _Coder:
    """A number or text, also of numpy's types."""
    def to_json(value: Any, arrays: Arrays) -> Any:
        if not isinstance(value, (kind, *accepted)):
            raise TypeError(f"{value!r} of {type(value)} where {kind} is declared")
        return kind(value)
    return _Coder(to_json, lambda value, arrays: value, is_plain=True)


_PLAIN: dict[Any, _Coder] = {float: _plain(float, int, np.floating, np.integer), int: _plain(int, np.integer),
                             bool: _plain(bool, np.bool_), str: _plain(str)}


@functools.cache
def _coder(kind: Any) -> _Coder:
    """How values of a type are written and read."""
    if kind in _PLAIN:
        return _PLAIN[kind]
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is np.ndarray:
        return _Coder(_put_aside, lambda value, arrays: arrays[value])
    if origin is list or (origin is tuple and inner[-1] is Ellipsis):
        parts = _parts_of(inner[0])
        if parts and all(part is float for part in parts.values()):
            return _table(origin, inner[0], parts)
        return _several(origin, _coder(inner[0]))
    if origin is dict:
        pairs = _coder(list[tuple[inner]])  # type: ignore[valid-type]
        return _Coder(lambda value, arrays: pairs.to_json(value.items(), arrays),
                      lambda value, arrays: dict(pairs.from_json(value, arrays)))
    if origin is tuple:
        return _record(lambda *parts: parts, lambda value: value, [_coder(one) for one in inner])
    if origin is typing.Literal:
        return _PLAIN[str]
    if origin in (types.UnionType, typing.Union):
        return _union([(typing.get_origin(one) or one, _coder(one)) for one in inner if one is not types.NoneType])
    if parts := _parts_of(kind):
        return _record(kind, lambda value: [getattr(value, name) for name in parts],
                       [_coder(part) for part in parts.values()])
    raise TypeError(f"{kind} cannot be kept")


def _parts_of(kind: Any) -> dict[str, Any]:
    """Names and types of a dataclass or named tuple; empty for others."""
    if not isinstance(kind, type) or not (is_dataclass(kind) or issubclass(kind, tuple)):
        return {}
    hints = typing.get_type_hints(kind)
    return {one.name: hints[one.name] for one in fields(kind)} if is_dataclass(kind) else hints


def _put_aside(value: Any, arrays: Arrays) -> int:
    """Keep an array beside the JSON."""
    array = np.ascontiguousarray(value)
    if array.dtype.str not in ARRAY_TYPES:
        raise TypeError(f"an array of {array.dtype} cannot be kept")
    arrays.append(array.reshape(np.shape(value)))
    return len(arrays) - 1


def _several(kind: type, one: _Coder) -> _Coder:
    """A list or tuple of any length."""
    from_json, make = one.from_json, (lambda value, arrays: kind(value)) if one.is_plain else (
        lambda value, arrays: kind([from_json(item, arrays) for item in value]))
    return _Coder(lambda value, arrays: [one.to_json(item, arrays) for item in value], make)


def _table(kind: type, record: Callable[..., Any], parts: dict[str, Any]) -> _Coder:
    """Records of numbers, a column for each part: so many are read slowly as text."""
    number = _PLAIN[float].to_json

    def to_json(value: Any, arrays: Arrays) -> Any:
        return [_put_aside(np.array([number(getattr(one, name), arrays) for one in value], np.float64), arrays)
                for name in parts]

    def from_json(value: Any, arrays: Arrays) -> Any:
        columns = [arrays[place].tolist() for _, place in zip(parts, value, strict=True)]
        return kind(itertools.starmap(record, zip(*columns, strict=True)))

    return _Coder(to_json, from_json)


def _record(make: Callable[..., Any], parts_of: Callable[[Any], Any], coders: list[_Coder]) -> _Coder:
    """A fixed number of parts, in order."""
    def to_json(value: Any, arrays: Arrays) -> Any:
        return [coder.to_json(part, arrays) for coder, part in zip(coders, parts_of(value), strict=True)]

    read = [None if coder.is_plain else coder.from_json for coder in coders]

    def from_json(value: Any, arrays: Arrays) -> Any:
        return make(*[part if reader is None else reader(part, arrays)
                      for reader, part in zip(read, value, strict=True)])

    if all(coder.is_plain for coder in coders):
        return _Coder(to_json, lambda value, arrays: make(*value))
    return _Coder(to_json, from_json)


def _union(choices: list[tuple[Any, _Coder]]) -> _Coder:
    """One of several types: which one, counted from 0, and the value; None alone."""
    def to_json(value: Any, arrays: Arrays) -> Any:
        if value is None:
            return None
        for number, (kind, coder) in enumerate(choices):
            if isinstance(value, kind) or (kind in _PLAIN and isinstance(value, np.generic | int)):
                return [number, coder.to_json(value, arrays)]
        raise TypeError(f"{value!r} of {type(value)} is none of {[kind for kind, _ in choices]}")

    def from_json(value: Any, arrays: Arrays) -> Any:
        return None if value is None else choices[value[0]][1].from_json(value[1], arrays)

    return _Coder(to_json, from_json)
