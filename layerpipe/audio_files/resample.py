"""A sound at another sample rate, converted once and readable at any position.

soxr converts at its highest quality, block by block, with the delay of its filter removed: an onset keeps its
time. A sound of n frames becomes one of n * to / from frames, halves rounded up. The result is kept as float32 in a
nameless temporary file that vanishes with the process, so memory does not grow with the song.
"""

from __future__ import annotations

import os
import tempfile
import threading
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import OutputError
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.sound import BLOCK_FRAMES, FloatArray, Made, made_of

QUALITY = "VHQ"


class Readable(Protocol):
    """A source of frames, one or several channels."""

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop, shape (frames,) or (frames, channels)."""
        ...


def converted_frames(frames: int, from_hz: int, to_hz: int) -> int:
    """Length after conversion; halves round up."""
    return (2 * frames * to_hz + from_hz) // (2 * from_hz)


class ConvertedSound:
    """A sound at another sample rate; converted when it is first read.

    Parameters
    ----------
    source : Readable
    frames, from_hz : int
        Length and rate of the source.
    rate_hz : int
        Rate to convert to.
    channels : int
        1: frames are read as (frames,), otherwise as (frames, channels).
    """

    def __init__(self, source: Readable, frames: int, from_hz: int, rate_hz: int, *, channels: int = 1) -> None:
        self._source, self._from_frames, self._from_hz = source, frames, from_hz
        self._rate_hz, self._channels = rate_hz, channels
        self._kept: SharedFile | None = None
        self._lock = threading.Lock()

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self._rate_hz

    @property
    def frames(self) -> int:
        """Length in frames."""
        return converted_frames(self._from_frames, self._from_hz, self._rate_hz)

    @property
    def made_of(self) -> Made | None:
        """The source at another rate."""
        import soxr

        source = made_of(self._source)
        return None if source is None else (
            "converted", source, self._from_frames, self._from_hz, self._rate_hz, soxr.__version__)

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64; safe from several threads."""
        step = 4 * self._channels
        with self._lock:
            if self._kept is None:
                self._kept = self._convert()
        kept = self._kept.read(start * step, (stop - start) * step)
        sound = np.frombuffer(kept, np.float32).astype(np.float64)
        return sound if self._channels == 1 else sound.reshape(-1, self._channels)

    def _convert(self) -> SharedFile:
        """Convert everything into a temporary file of exactly the length promised."""
        import soxr

        stream = soxr.ResampleStream(self._from_hz, self._rate_hz, self._channels, dtype="float64", quality=QUALITY)
        left = self.frames
        try:
            with tempfile.TemporaryFile(prefix="layerpipe-") as kept:
                for start in range(0, self._from_frames, BLOCK_FRAMES):
                    stop = min(start + BLOCK_FRAMES, self._from_frames)
                    block = np.ascontiguousarray(self._source.read(start, stop))
                    sound: npt.NDArray[Any] = stream.resample_chunk(block, last=stop == self._from_frames)
                    kept.write(sound[:left].astype(np.float32).tobytes())
                    left -= len(sound[:left])
                kept.write(bytes(left * 4 * self._channels))
                kept.flush()
                return SharedFile(os.dup(kept.fileno()))
        except OSError as refusal:
            raise OutputError(f"{tempfile.gettempdir()}: no room for a take at another rate: "
                              f"{refusal.strerror or refusal}") from refusal
