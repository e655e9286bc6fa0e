"""The true peak of a blend at every level of one layer: one envelope per part of the song, measured once and stored.

A part is a section, or a gap between sections; overlapping sections share parts. The rest of the blend is at the
recipe's levels, ramps included; the layer is at one level throughout. Peaks are amplitudes.
"""

from __future__ import annotations

import itertools
import json
import threading
import zlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from layerpipe.core.errors import DamagedFile
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.sound import OnProgress
from layerpipe.dsp.peaks.envelope import PeakEnvelope
from layerpipe.dsp.peaks.true_peak import TAPS
from layerpipe.outputs.levels.bands import padded_rest_and_layer
from layerpipe.recipe.model.recipe import Layer
from layerpipe.render.song import ProcessedSong, SongPart

_BEFORE, _AFTER = TAPS // 2 - 1, TAPS // 2
_AT_ONCE_S = 2


@dataclass(frozen=True)
class SectionPeaks:
    """Envelopes of parts of the song, each from frame to frame."""

    parts: tuple[tuple[int, int, PeakEnvelope], ...]

    def of(self, section: SongPart) -> PeakEnvelope:
        """The envelope of a section, or of the whole song."""
        whole = PeakEnvelope()
        for start, stop, envelope in self.parts:
            if start >= section.start and stop <= section.stop:
                whole.merge(envelope)
        return whole

    def save(self, path: Path) -> None:
        """Write to one file, completely or not at all."""
        kept = json.dumps([[start, stop, envelope.corners.tolist()] for start, stop, envelope in self.parts])
        write_whole(path, f"{zlib.crc32(kept.encode()):08x}\n{kept}".encode("ascii"))

    @classmethod
    def load(cls, path: Path) -> SectionPeaks:
        """Read a file written by `save`.

        Raises
        ------
        DamagedFile
            If its content has been changed.
        OSError
            If it cannot be read.
        """
        check, _, kept = path.read_bytes().partition(b"\n")
        if check != b"%08x" % zlib.crc32(kept):
            raise DamagedFile(f"{path}: its content has been changed")
        return cls(tuple((start, stop, PeakEnvelope(corners)) for start, stop, corners in json.loads(kept)))


def borders(song: ProcessedSong) -> list[int]:
    """Frames at which parts begin or end."""
    return sorted({0, song.frames, *(frame for part in song.sections for frame in (part.start, part.stop))})


def measure_peaks(song: ProcessedSong, layer: Layer, *, workers: int,
                  on_progress: OnProgress = lambda share: None) -> SectionPeaks:
    """Measure one layer of a song against the rest of the blend.

    Parameters
    ----------
    song : ProcessedSong
    layer : Layer
    workers : int
        Threads.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.
    """
    edges = borders(song)
    size = _AT_ONCE_S * song.rate_hz
    envelopes = [PeakEnvelope() for _ in edges[1:]]
    pieces = [(part, at, min(at + size, stop)) for part, (start, stop) in enumerate(itertools.pairwise(edges))
              for at in range(start, stop, size)]
    one_at_a_time = threading.Lock()

    def measure(piece: tuple[int, int, int]) -> None:
        part, start, stop = piece
        # What has been found elsewhere in the part rules out most of this piece. The corners at the end are the same
        # whichever piece came first: they are those of all points, and no point that is one is ever ruled out.
        envelope = PeakEnvelope(envelopes[part].corners)
        # Intervals begin at a frame; the last one of the song reaches into the silence after it.
        rest, mine = padded_rest_and_layer(song, layer, start - _BEFORE, stop + _AFTER)
        for side in (0, 1):
            envelope.add(rest[side], mine[side])
        with one_at_a_time:
            envelopes[part].merge(envelope)
        on_progress((stop - start) / song.frames)

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(measure, pieces))
    return SectionPeaks(tuple((start, stop, envelope)
                              for (start, stop), envelope in zip(itertools.pairwise(edges), envelopes, strict=True)))
