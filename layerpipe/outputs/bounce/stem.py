"""One stem from sound to file: round, measure, keep an overview for the delivery sheet, write. Blocks come in order.

Only rounding changes samples here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from layerpipe.audio_files.broadcast_wave import BroadcastInfo, StemWriter
from layerpipe.core.sound import FloatArray
from layerpipe.core.units import db_of_gain, frames_of_s
from layerpipe.dsp import kernels
from layerpipe.dsp.peaks.true_peak import TruePeakMeter
from layerpipe.dsp.quantize import DitherStream, Overs, to_pcm
from layerpipe.outputs.bounce.overview import Overview
from layerpipe.render.song import ProcessedSong

PcmArray = npt.NDArray[np.int32]
Kind = Literal["take", "layer", "blend"]


@dataclass
class Stem:
    """One file of a bounce: what it is, and what was measured while it was written."""

    name: str
    kind: Kind
    path: str
    channels: int
    layer: str | None = None
    take: str | None = None
    overs: Overs = field(default_factory=Overs)
    sha256: str = ""
    peaks: list[PartPeaks] = field(default_factory=list)
    overview: Overview | None = None
    """What the delivery sheet draws of layers and the blend."""


@dataclass
class PartPeaks:
    """Highest sample and true peak between two frames, linear, full scale 1."""

    start: int
    stop: int
    sample: float = 0.0
    true: float = 0.0


class StemRecorder:
    """Rounds, measures and writes one stem; blocks come in order."""

    def __init__(self, stem: Stem, song: ProcessedSong, folder: Path, parts: Sequence[tuple[int, int]]) -> None:
        bounce = song.recipe.bounce
        self.stem, self._bits, self._scale = stem, bounce.bit_depth, float(1 << (bounce.bit_depth - 1))
        # Processed takes have the precision of 24 bits; only fewer bits than that need dither.
        self._dither = DitherStream(f"{stem.kind} {stem.name}", stem.channels) if bounce.bit_depth < 24 else None
        self._at = 0
        self._meter, self._part = TruePeakMeter(stem.channels), 0
        stem.peaks = [PartPeaks(start, stop) for start, stop in parts]
        if stem.kind != "take":
            stem.overview = Overview(song.frames, song.rate_hz, spectrum=stem.kind == "layer")
        info = BroadcastInfo(description=f"{song.recipe.song.title}: {stem.name}", date=bounce.date,
                             time_reference_frames=frames_of_s(song.recipe.stem_time_reference_s, song.rate_hz))
        self.writer = StemWriter(folder / stem.path, song.rate_hz, stem.channels, bounce.bit_depth, song.frames, info)

    def add(self, samples: npt.NDArray[np.floating], gain: float = 1.0) -> PcmArray:
        """Round a block after a gain, measure and write it; return the integers."""
        pcm, overs = to_pcm(samples, self._bits, gain=gain, dither=self._dither, start=self._at)
        self.stem.overs = self.stem.overs.and_then(overs)
        self._put(pcm)
        return pcm

    def add_sum(self, parts: Sequence[PcmArray]) -> None:
        """Add integers up, measure and write the sum."""
        total = parts[0].copy()
        for part in parts[1:]:
            total += part
        limit = int(self._scale)
        highest = max(int(total.max(initial=0)), -int(total.min(initial=0)) - 1)
        if highest >= limit:
            misfit = (total >= limit) | (total < -limit)
            first = int(np.flatnonzero(misfit)[0]) // total.shape[1]
            peak = db_of_gain((highest + 1) / limit)
            self.stem.overs = self.stem.overs.and_then(Overs(int(misfit.sum()), self._at + first, peak))
            total = np.clip(total, -limit, limit - 1)
        self._put(total)

    def finish(self) -> None:
        """Close the file and note its checksum."""
        self._end_part(self._meter.peak)
        self.writer.close()
        self.stem.sha256 = self.writer.sha256

    def _put(self, pcm: PcmArray) -> None:
        """Write and measure integers."""
        self.writer.write(pcm)
        if self.stem.overview is not None:
            self.stem.overview.add(pcm, self._at, step=1 / self._scale)
        while len(pcm):
            part = self.stem.peaks[self._part]
            inside = pcm[: part.stop - self._at]
            low, high = self._extremes(inside)
            part.sample = max(part.sample, high, -low)
            self._meter.add(inside, step=1 / self._scale)
            self._at += len(inside)
            if self._at == part.stop and self._part + 1 < len(self.stem.peaks):
                self._end_part(self._meter.next_part())
            pcm = pcm[len(inside) :]

    def _extremes(self, pcm: PcmArray) -> tuple[float, float]:
        """Lowest and highest sample of integers that begin at the present frame; the overview gets them by piece."""
        overview, channels = self.stem.overview, self.stem.channels
        starts = np.zeros(1, np.int64) if overview is None else overview.pieces_from(self._at, self._at + len(pcm))
        lows, highs = np.empty((2, len(starts)), np.int32)
        kernels.find_extremes(pcm.reshape(-1), starts * channels, lows, highs)
        if overview is not None:
            overview.add_extremes(self._at, lows / self._scale, highs / self._scale)
        return float(lows.min()) / self._scale, float(highs.max()) / self._scale

    def _end_part(self, true: FloatArray) -> None:
        """Note a part's true peak, never below its highest sample; digital silence has none of its own."""
        part = self.stem.peaks[self._part]
        part.true = max(float(np.max(true)), part.sample) if part.sample else 0.0
        self._part += 1
