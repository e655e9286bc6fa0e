"""Stems on disk: processed takes, layers and the blend, in one folder that is whole or absent.

All files are Broadcast WAVE of one rate, start and length. The blend is the integer sum of the rounded layers, so the
layers add up to it to the bit. Nothing here changes a sample but the rounding.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import OutputError
from layerpipe.core.sound import OnProgress
from layerpipe.outputs.bounce.stem import PcmArray, Stem, StemLine
from layerpipe.outputs.bounce.turns import Turns, wait_for
from layerpipe.recipe.names import fill, initials_of, told_apart
from layerpipe.render.energies.meter import EnergyMeter
from layerpipe.render.song import ProcessedSong, Stretch

_LONGEST_BLOCK_S, _BLOCK_SAMPLES = 4, 1 << 20


def plan_stems(song: ProcessedSong) -> list[Stem]:
    """The files of a bounce, in the order of the recipe, under the names its template gives them."""
    stems = [Stem(processed.name, "take", f"takes/{processed.name}.wav", 1, processed.layer.name, processed.take.name)
             for processed in song.takes]
    stems += [Stem(layer.name, "layer", f"layers/{layer.name}.wav", 2, layer.name) for layer in song.layers]
    stems.append(Stem("blend", "blend", "blend.wav", 2))
    template = song.recipe.bounce.names
    if template:
        # Blend and layers keep their names plain; what must be told apart is a take.
        order = [*reversed(stems[len(song.takes) :]), *stems[: len(song.takes)]]
        named = told_apart([fill(template, _words(song, stem)) for stem in order])
        for stem, name in zip(order, named, strict=True):
            stem.path = stem.path.rpartition("/")[0] + "/" * ("/" in stem.path) + f"{name}.wav"
    return stems


def _words(song: ProcessedSong, stem: Stem) -> dict[str, str]:
    """What a template can be filled with."""
    said = song.recipe.song
    return {"artist": said.artist, "initials": initials_of(said.artist), "song": said.title,
            "layer": stem.layer or "blend", "take": stem.take or "", "kind": stem.kind,
            "rate": f"{song.rate_hz / 1000:g}k".replace(".", "-"), "bits": str(song.recipe.bounce.bit_depth)}


def write_stems(song: ProcessedSong, folder: Path, *, workers: int, meter: EnergyMeter | None = None,
                on_progress: OnProgress = lambda share: None) -> list[Stem]:
    """Write every stem of a song into a folder.

    Parameters
    ----------
    song : ProcessedSong
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
            lines.append(StemLine(stem, song, folder, parts))
            undo.callback(lines[-1].writer.abandon)
        turns = Turns(pool)
        before: list[Future[Any]] = []
        for at, blocks in _read_ahead(song, pool):
            going = _carry(song, lines, turns, meter, blocks, at)
            wait_for(before)
            before = going
            if _is_wide(song):
                # The next block comes into the same place.
                wait_for(before)
            on_progress(len(blocks[0]) / song.frames)
        wait_for(before)
        for done in [pool.submit(line.finish) for line in lines]:
            done.result()
        undo.pop_all()
    return stems


def past_full_scale(stems: Sequence[Stem], song: ProcessedSong) -> OutputError | None:
    """The refusal for stems that pass full scale, with every place and amount; None where none does."""
    over = [stem for stem in stems if stem.overs]
    if not over:
        return None
    lines = [f"{song.path}: past full scale; nothing was kept"]
    for stem in over:
        first = stem.overs.first_frame or 0
        place = song.tempo_map.text_of(first / song.rate_hz)
        lines.append(f"  {stem.path}: {stem.overs.count} sample{'s' if stem.overs.count > 1 else ''}, the first at "
                     f"{place} (frame {first}), the highest at {stem.overs.peak_dbfs:+.2f} dBFS")
    lines.append("  lower gains or levels by that much, or let everything be lowered by one gain: "
                 '[bounce] over_full_scale = "lower"')
    return OutputError("\n".join(lines))


def lowering_gain(stems: Sequence[Stem]) -> float:
    """The factor, in whole hundredths of a dB, that brings the highest of all stems just under full scale."""
    highest_db = max(stem.overs.peak_dbfs for stem in stems if stem.overs)
    return float(10 ** (-(math.ceil(highest_db * 100) + 1) / 100 / 20))


def _parts(sections: Sequence[Stretch], frames: int) -> list[tuple[int, int]]:
    """The song cut at every section's edges."""
    edges = sorted({0, frames, *(part.start for part in sections), *(part.stop for part in sections)})
    return list(pairwise(edges))


def _block_frames(song: ProcessedSong) -> int:
    """Long blocks cost fewer hand-overs between threads; many takes get shorter ones, so that memory stays as it is."""
    seconds = max(1, min(_LONGEST_BLOCK_S, _BLOCK_SAMPLES // (song.rate_hz * len(song.takes))))
    return seconds * song.rate_hz


def _is_wide(song: ProcessedSong) -> bool:
    """Whether there are so many takes that two blocks would weigh too much."""
    return _block_frames(song) * len(song.takes) > 2 * _BLOCK_SAMPLES


def _read_ahead(song: ProcessedSong, pool: ThreadPoolExecutor) -> Iterator[tuple[int, list[npt.NDArray[np.float32]]]]:
    """The song's blocks, the next one read while this one is worked on; of a wide song always into the same place."""
    size = _block_frames(song)
    if _is_wide(song):
        room = np.empty((len(song.takes), size), dtype="<f4")
        for at in range(0, song.frames, size):
            rows = list(room[:, : song.frames - at])
            list(pool.map(lambda processed, row, at=at: processed.sound.read_into(at, row), song.takes, rows))
            yield at, rows
        return
    blocks = song.blocks(0, song.frames, size)
    coming: Future[Any] = pool.submit(next, blocks, None)
    while (block := coming.result()) is not None:
        coming = pool.submit(next, blocks, None)
        yield block


def _carry(song: ProcessedSong, lines: Sequence[StemLine], turns: Turns, meter: EnergyMeter | None,
           blocks: list[npt.NDArray[np.float32]], at: int) -> list[Future[Any]]:
    """Begin to carry a block into every file."""
    takes, layers, blend = lines[: len(song.takes)], lines[len(song.takes) : -1], lines[-1]
    of_layers = [turns.submit(line, _add_layer, song, n, line, blocks, at) for n, line in enumerate(layers)]
    rest: list[Future[Any]] = []
    if meter is not None:
        rest.append(turns.submit(meter, _measure, song, meter, blocks, at))
    rest += [turns.submit(line, _add_take, song, n, line, blocks[n]) for n, line in enumerate(takes)]
    rest.append(turns.submit(blend, _add_blend, blend, of_layers))
    return rest


def _add_blend(line: StemLine, of_layers: Sequence[Future[PcmArray]]) -> None:
    """The sum of the layers' blocks, when they are there."""
    line.add_sum([future.result() for future in of_layers])


def _add_layer(song: ProcessedSong, n: int, line: StemLine, blocks: list[npt.NDArray[np.float32]], at: int) -> PcmArray:
    """One layer's block."""
    return line.add(song.layer_of(song.layers[n], blocks, at))


def _add_take(song: ProcessedSong, n: int, line: StemLine, block: npt.NDArray[np.float32]) -> None:
    """One take's block."""
    line.add(block, song.take_gain_of(n))


def _measure(song: ProcessedSong, meter: EnergyMeter, blocks: list[npt.NDArray[np.float32]], at: int) -> None:
    """The energies' block, piece by piece where there are many takes: side by side in float64 they weigh a lot."""
    frames = len(blocks[0])
    size = max(song.rate_hz // 10, _BLOCK_SAMPLES // song.channels)
    for start in range(0, frames, size):
        meter.add(song.channels_of([block[start : start + size] for block in blocks], at + start))
