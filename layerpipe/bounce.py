"""Stems on disk: processed takes, layers and the blend, in one folder that is whole or absent.

All files are Broadcast WAVE of one rate, start and length. The blend is the integer sum of the rounded layers, so the
layers add up to it to the bit. Nothing here changes a sample but the rounding.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from layerpipe.broadcast import BroadcastInfo, StemWriter
from layerpipe.dsp import compiled
from layerpipe.dsp.dither import DitherStream, Overs, to_pcm
from layerpipe.dsp.truepeak import TruePeakMeter
from layerpipe.errors import OutputError
from layerpipe.file_names import fill, initials_of, told_apart
from layerpipe.glance import Glance
from layerpipe.products import EnergyMeter
from layerpipe.sound import FloatArray
from layerpipe.units import db_of_gain, frames_of_s
from layerpipe.voiced import Stretch, VoicedSong

PcmArray = npt.NDArray[np.int32]
_LONGEST_BLOCK_S, _BLOCK_SAMPLES = 4, 1 << 20
Kind = Literal["take", "layer", "blend"]


@dataclass
class Stem:
    """One file of a bounce: what it is, and what was found while it was written."""

    name: str
    kind: Kind
    path: str
    channels: int
    layer: str | None = None
    take: str | None = None
    overs: Overs = field(default_factory=Overs)
    sha256: str = ""
    data_sha256: str = ""
    peaks: list[PartPeaks] = field(default_factory=list)
    glance: Glance | None = None
    """Of layers and the blend: what the delivery sheet draws."""


@dataclass
class PartPeaks:
    """Highest sample and true peak between two frames, linear, full scale 1."""

    start: int
    stop: int
    sample: float = 0.0
    true: float = 0.0


class _Line:
    """A stem on its way to its file: rounding, meters, writer; blocks come in order."""

    def __init__(self, stem: Stem, song: VoicedSong, folder: Path, parts: Sequence[tuple[int, int]]) -> None:
        bounce = song.recipe.bounce
        self.stem, self._bits, self._scale = stem, bounce.bit_depth, float(1 << (bounce.bit_depth - 1))
        # Sound is kept with 24 bits of precision; only fewer than that drop bits.
        self._dither = DitherStream(f"{stem.kind} {stem.name}", stem.channels) if bounce.bit_depth < 24 else None
        self._at = 0
        self._meter, self._part = TruePeakMeter(stem.channels), 0
        stem.peaks = [PartPeaks(start, stop) for start, stop in parts]
        if stem.kind != "take":
            stem.glance = Glance(song.frames, song.rate_hz, spectrum=stem.kind == "layer")
        info = BroadcastInfo(description=f"{song.recipe.song.title}: {stem.name}", date=bounce.date,
                             time_reference_frames=frames_of_s(bounce.time_reference_s, song.rate_hz))
        self.writer = StemWriter(folder / stem.path, song.rate_hz, stem.channels, bounce.bit_depth, song.frames, info,
                                 digest_data=False)

    def add(self, samples: npt.NDArray[np.floating], gain: float = 1.0) -> PcmArray:
        """Round a block after a gain, measure and write it; hands the integers back."""
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
        """Close the file and note its digest."""
        self._end_part(self._meter.peak)
        self.writer.close()
        self.stem.sha256 = self.writer.sha256

    def _put(self, pcm: PcmArray) -> None:
        """Meters and file."""
        self.writer.write(pcm)
        if self.stem.glance is not None:
            self.stem.glance.hear(pcm, self._at, step=1 / self._scale)
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
        """Lowest and highest sample of what begins at the present frame; what is drawn sees them piece by piece."""
        glance, channels = self.stem.glance, self.stem.channels
        starts = np.zeros(1, np.int64) if glance is None else glance.pieces_from(self._at, self._at + len(pcm))
        lows, highs = np.empty((2, len(starts)), np.int32)
        compiled.find_extremes(pcm.reshape(-1), starts * channels, lows, highs)
        if glance is not None:
            glance.see(self._at, lows / self._scale, highs / self._scale)
        return float(lows.min()) / self._scale, float(highs.max()) / self._scale

    def _end_part(self, true: FloatArray) -> None:
        """Note a part's true peak, which no sample of it exceeds."""
        part = self.stem.peaks[self._part]
        part.true = max(float(np.max(true)), part.sample)
        self._part += 1


def plan_stems(song: VoicedSong) -> list[Stem]:
    """The files of a bounce, in the order of the recipe, under the names its template gives them."""
    stems = [Stem(voice.name, "take", f"takes/{voice.name}.wav", 1, voice.layer.name, voice.take.name)
             for voice in song.voices]
    stems += [Stem(layer.name, "layer", f"layers/{layer.name}.wav", 2, layer.name) for layer in song.layers]
    stems.append(Stem("blend", "blend", "blend.wav", 2))
    template = song.recipe.bounce.names
    if template:
        # Blend and layers keep their names plain; what must be told apart is a take.
        order = [*reversed(stems[len(song.voices) :]), *stems[: len(song.voices)]]
        named = told_apart([fill(template, _words(song, stem)) for stem in order])
        for stem, name in zip(order, named, strict=True):
            stem.path = stem.path.rpartition("/")[0] + "/" * ("/" in stem.path) + f"{name}.wav"
    return stems


def _words(song: VoicedSong, stem: Stem) -> dict[str, str]:
    """What a template can be filled with."""
    said = song.recipe.song
    return {"artist": said.artist, "initials": initials_of(said.artist), "song": said.title,
            "layer": stem.layer or "blend", "take": stem.take or "", "kind": stem.kind,
            "rate": f"{song.rate_hz / 1000:g}k".replace(".", "-"), "bits": str(song.recipe.bounce.bit_depth)}


def write_stems(song: VoicedSong, folder: Path, *, workers: int, meter: EnergyMeter | None = None,
                advance: Callable[[float], None] = lambda share: None) -> list[Stem]:
    """Write every stem of a song into a folder.

    Parameters
    ----------
    song : VoicedSong
    folder : Path
        Exists, and is nobody else's.
    workers : int
        Threads.
    meter : EnergyMeter, optional
        Fed with the takes (and bed) on the way, where they have not been measured yet.
    advance : function of a share
        Told how much of the work, of 1, has been done.

    Returns
    -------
    list of Stem
        Also when something passes full scale: look at `overs` before keeping the files.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    for name in ("takes", "layers"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    parts = _parts(song.sections, song.frames)
    stems = plan_stems(song)
    with ExitStack() as undo, ThreadPoolExecutor(workers) as pool:
        lines = []
        for stem in stems:
            lines.append(_Line(stem, song, folder, parts))
            undo.callback(lines[-1].writer.abandon)
        for at, blocks in _read_ahead(song, pool):
            _carry(song, lines, pool, meter, blocks, at)
            advance(len(blocks[0]) / song.frames)
        for done in [pool.submit(line.finish) for line in lines]:
            done.result()
        undo.pop_all()
    return stems


def past_full_scale(stems: Sequence[Stem], song: VoicedSong) -> OutputError | None:
    """The refusal for stems that pass full scale, with every place and amount; None where none does."""
    over = [stem for stem in stems if stem.overs]
    if not over:
        return None
    lines = [f"{song.path}: past full scale; nothing was kept"]
    for stem in over:
        first = stem.overs.first_frame or 0
        place = song.clock.text_of(first / song.rate_hz)
        lines.append(f"  {stem.path}: {stem.overs.count} sample{'s' if stem.overs.count > 1 else ''}, the first at "
                     f"{place} (frame {first}), the highest at {stem.overs.peak_dbfs:+.2f} dBFS")
    lines.append("  lower gains or levels by that much, or let everything be lowered by one gain: "
                 '[bounce] ceiling = "lower"')
    return OutputError("\n".join(lines))


def lowering_gain(stems: Sequence[Stem]) -> float:
    """The factor, in whole hundredths of a dB, that brings the highest of all stems just under full scale."""
    highest_db = max(stem.overs.peak_dbfs for stem in stems if stem.overs)
    return float(10 ** (-(math.ceil(highest_db * 100) + 1) / 100 / 20))


def _parts(sections: Sequence[Stretch], frames: int) -> list[tuple[int, int]]:
    """The song cut at every section's edges."""
    edges = sorted({0, frames, *(part.start for part in sections), *(part.stop for part in sections)})
    return list(pairwise(edges))


def _read_ahead(song: VoicedSong, pool: ThreadPoolExecutor) -> Iterator[tuple[int, list[npt.NDArray[np.float32]]]]:
    """The song's blocks, the next one read while this one is worked on."""
    # Long blocks cost fewer hand-overs between threads; many takes get shorter ones, so that memory stays as it is.
    seconds = max(1, min(_LONGEST_BLOCK_S, _BLOCK_SAMPLES // (song.rate_hz * len(song.voices))))
    size = seconds * song.rate_hz
    if size * len(song.voices) > 2 * _BLOCK_SAMPLES:
        # So many takes are read side by side instead, always into the same place; a second block would weigh too much.
        room = np.empty((len(song.voices), size), dtype="<f4")
        for at in range(0, song.frames, size):
            rows = list(room[:, : song.frames - at])
            list(pool.map(lambda voice, row, at=at: voice.sound.read_into(at, row), song.voices, rows))
            yield at, rows
        return
    blocks = song.blocks(0, song.frames, size)
    coming: Future[Any] = pool.submit(next, blocks, None)
    while (block := coming.result()) is not None:
        coming = pool.submit(next, blocks, None)
        yield block


def _carry(song: VoicedSong, lines: Sequence[_Line], pool: ThreadPoolExecutor, meter: EnergyMeter | None,
           blocks: list[npt.NDArray[np.float32]], at: int) -> None:
    """One block into every file."""
    takes, layers, blend = lines[: len(song.voices)], lines[len(song.voices) : -1], lines[-1]
    of_layers = [pool.submit(_add_layer, song, n, line, blocks, at) for n, line in enumerate(layers)]
    rest: list[Future[Any]] = [pool.submit(_add_take, song, n, line, blocks[n]) for n, line in enumerate(takes)]
    if meter is not None:
        rest.append(pool.submit(_measure, song, meter, blocks, at))
    rest.append(pool.submit(blend.add_sum, [future.result() for future in of_layers]))
    for future in rest:
        future.result()


def _add_layer(song: VoicedSong, n: int, line: _Line, blocks: list[npt.NDArray[np.float32]], at: int) -> PcmArray:
    """One layer's block."""
    return line.add(song.layer_of(song.layers[n], blocks, at))


def _add_take(song: VoicedSong, n: int, line: _Line, block: npt.NDArray[np.float32]) -> None:
    """One take's block."""
    line.add(block, song.take_gain_of(n))


def _measure(song: VoicedSong, meter: EnergyMeter, blocks: list[npt.NDArray[np.float32]], at: int) -> None:
    """The energies' block, piece by piece where there are many takes: side by side in float64 they weigh a lot."""
    frames = len(blocks[0])
    size = max(song.rate_hz // 10, _BLOCK_SAMPLES // song.channels)
    for start in range(0, frames, size):
        meter.add(song.channels_of([block[start : start + size] for block in blocks], at + start))
