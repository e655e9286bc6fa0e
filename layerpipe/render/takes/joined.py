"""Sounds one after another with crossfades between: what moves of a take and comps of passes are played by."""

from __future__ import annotations

import bisect
import threading
from collections.abc import Sequence

import numpy as np

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray, Made, Sound, made_of
from layerpipe.dsp.splicing import correlation, crossfade_gains


class JoinedSound:
    """Pieces with a crossfade between each two: a `Sound` that is the same however it is cut into reads.

    Parameters
    ----------
    pieces : sequence of Sound
        One more than crossfades, all of one length and rate; each is heard from the crossfade before it on.
    crossfades : sequence of (start, stop)
        Frames, in order; they do not overlap.
    """

    def __init__(self, pieces: Sequence[Sound], crossfades: Sequence[tuple[int, int]]) -> None:
        self._pieces, self._crossfades = list(pieces), list(crossfades)
        # From each of these frames on a piece is heard; a crossfade belongs to the piece after it.
        self._starts = [0, *(start for start, _ in crossfades)]
        self._mixed: dict[int, tuple[float, FloatArray]] = {}
        self._lock = threading.Lock()

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self._pieces[0].rate_hz

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self._pieces[0].frames

    @property
    def made_of(self) -> Made | None:
        """The pieces and where they are joined."""
        pieces = tuple(made_of(piece) for piece in self._pieces)
        if None in pieces:
            return None
        return ("joined", pieces, tuple(self._crossfades)) if self._crossfades else pieces[0]

    def part(self, start: int, stop: int) -> Sound:
        """What is read from start to stop, without the pieces that are not heard there."""
        heard = [number for number, (first, last) in enumerate(self._crossfades) if last > start and first < stop]
        if len(heard) == len(self._crossfades) > 0:
            return self
        before = heard[0] if heard else bisect.bisect_right(self._starts, start) - 1
        pieces = self._pieces[before : before + len(heard) + 1]
        return JoinedSound(pieces, [self._crossfades[number] for number in heard]) if heard else pieces[0]

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start,)."""
        if not 0 <= start <= stop <= self.frames:
            raise ParameterError(f"frames {start} to {stop} must lie inside 0 to {self.frames}")
        if not self._crossfades:
            return self._pieces[0].read(start, stop)
        out = np.empty(stop - start)
        at, piece = start, bisect.bisect_right(self._starts, start) - 1
        while at < stop:
            end = min(stop, self._starts[piece + 1] if piece + 1 < len(self._starts) else stop)
            first, last = self._crossfades[piece - 1] if piece else (0, 0)
            if at < last:
                end = min(end, last)
                out[at - start : end - start] = self.crossfade(piece - 1)[1][at - first : end - first]
            else:
                out[at - start : end - start] = self._pieces[piece].read(at, end)
            at = end
            if piece + 1 < len(self._starts) and at >= self._starts[piece + 1]:
                piece += 1
        return out

    def crossfade(self, number: int) -> tuple[float, FloatArray]:
        """Correlation and sound of a crossfade, made once as a whole, so that reading it in parts changes no bit."""
        with self._lock:
            if number not in self._mixed:
                start, stop = self._crossfades[number]
                ending, beginning = (piece.read(start, stop) for piece in self._pieces[number : number + 2])
                rho = correlation(ending, beginning)
                fade_out, fade_in = crossfade_gains(rho, stop - start)
                self._mixed[number] = rho, ending * fade_out + beginning * fade_in
            return self._mixed[number]
