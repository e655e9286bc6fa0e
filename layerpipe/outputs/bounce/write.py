"""The stems of a song: processed takes, layers and the blend.

All files are Broadcast WAVE of one rate, start and length. The blend is the integer sum of the rounded layers, so the
layers sum bit-exactly to it. Only rounding changes samples here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from itertools import pairwise
from pathlib import Path

from layerpipe.core.errors import OutputError
from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.core.text import one_line
from layerpipe.outputs.bounce.stem import PcmArray, Stem, StemRecorder
from layerpipe.recipe.names import fill, initials_of, told_apart
from layerpipe.render.song import ProcessedSong, SongPart


def plan_stems(song: ProcessedSong) -> list[Stem]:
    """The files of a bounce, in the recipe's order, named by its template."""
    stems = [Stem(processed.name, "take", f"takes/{processed.name}.wav", 1, processed.layer.name, processed.take.name)
             for processed in song.takes]
    stems += [Stem(layer.name, "layer", f"layers/{layer.name}.wav", 2, layer.name) for layer in song.layers]
    stems.append(Stem("blend", "blend", "blend.wav", 2))
    template = song.recipe.bounce.names
    if template:
        # Blend and layers are named first: of two equal names the take's gets a number.
        order = [*reversed(stems[len(song.takes) :]), *stems[: len(song.takes)]]
        named = told_apart([fill(template, _words(song, stem)) for stem in order])
        for stem, name in zip(order, named, strict=True):
            stem.path = stem.path.rpartition("/")[0] + "/" * ("/" in stem.path) + f"{name}.wav"
    return stems


def _words(song: ProcessedSong, stem: Stem) -> dict[str, str]:
    """The fields of a file name template."""
    about = song.recipe.song
    return {"artist": about.artist, "initials": initials_of(about.artist), "song": about.title,
            "layer": stem.layer or "blend", "take": stem.take or "", "kind": stem.kind,
            "rate": f"{song.rate_hz / 1000:g}k".replace(".", "-"), "bits": str(song.recipe.bounce.bit_depth)}


class StemFiles:
    """The files of a bounce, for the renderer to write into.

    Parameters
    ----------
    folder : Path
        Exists; nobody else writes into it.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.stems: list[Stem] = []
        """Filled while the files are written, also if samples exceed full scale: look at `overs`."""

    @contextmanager
    def open(self, song: ProcessedSong) -> Iterator[StemFiles]:
        """Begin every file; they are finished when the block ends well, and removed otherwise.

        Raises
        ------
        OutputError
            If a file cannot be written.
        """
        for name in ("takes", "layers"):
            (self._folder / name).mkdir(parents=True, exist_ok=True)
        parts = _parts(song.sections, song.frames)
        self.stems, recorders = plan_stems(song), []
        with ExitStack() as on_failure:
            for stem in self.stems:
                recorders.append(StemRecorder(stem, song, self._folder, parts))
                on_failure.callback(recorders[-1].writer.abandon)
            takes = len(song.takes)
            self._takes, self._layers, self._blend = recorders[:takes], recorders[takes:-1], recorders[-1]
            yield self
            with ThreadPoolExecutor() as pool:
                for finished in [pool.submit(recorder.finish) for recorder in recorders]:
                    finished.result()
            on_failure.pop_all()

    def add_take(self, n: int, block: Float32Array, gain: float) -> None:
        """The next block of take `n`."""
        self._takes[n].add(block, gain)

    def add_layer(self, n: int, sound: FloatArray) -> PcmArray:
        """The next block of layer `n`; returns it as it was rounded."""
        return self._layers[n].add(sound)

    def add_blend(self, layers: Sequence[PcmArray]) -> None:
        """The next block of the blend: the sum of the rounded layers."""
        self._blend.add_sum(layers)


def past_full_scale(stems: Sequence[Stem], song: ProcessedSong) -> OutputError | None:
    """The refusal for stems that exceed full scale, with every place and amount; None if none does."""
    over = [stem for stem in stems if stem.overs]
    if not over:
        return None
    lines = [f"{one_line(str(song.path))}: exceeds full scale (0 dBFS); nothing written"]
    for stem in over:
        first = stem.overs.first_frame or 0
        place = song.tempo_map.text_of(first / song.rate_hz)
        lines.append(f"  {stem.path}: {stem.overs.count} sample{'s' if stem.overs.count > 1 else ''}, the first at "
                     f"{place} (sample {first}), the highest {stem.overs.peak_dbfs:+.2f} dBFS")
    lines.append("  lower gains or levels by that much, or lower everything by one gain with "
                 '[bounce] over_full_scale = "lower"')
    return OutputError(*lines)


def lowering_gain(stems: Sequence[Stem]) -> float:
    """The factor, in whole hundredths of a dB, that brings the highest of all stems just below full scale."""
    highest_db = max(stem.overs.peak_dbfs for stem in stems if stem.overs)
    return float(10 ** (-(math.ceil(highest_db * 100) + 1) / 100 / 20))


def _parts(sections: Sequence[SongPart], frames: int) -> list[tuple[int, int]]:
    """The song cut at the edges of every section."""
    edges = sorted({0, frames, *(part.start for part in sections), *(part.stop for part in sections)})
    return list(pairwise(edges))
