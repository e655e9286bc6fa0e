"""Write the stems of a song: processed takes, layers and the blend, block by block and side by side.

All files are Broadcast WAVE of one rate, start and length. The blend is the integer sum of the rounded layers, so the
layers sum bit-exactly to it. Only rounding changes samples here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import OutputError
from layerpipe.core.sound import OnProgress
from layerpipe.core.text import one_line
from layerpipe.outputs.bounce.stem import PcmArray, Stem, StemRecorder
from layerpipe.recipe.names import fill, initials_of, told_apart
from layerpipe.render.energies.meter import EnergyMeter
from layerpipe.render.song import ProcessedSong, SongPart

T = TypeVar("T")

_LONGEST_BLOCK_S = 4
"""Long blocks cost fewer hand-overs between threads."""
_BLOCK_SAMPLES = 1 << 20
"""Of all takes together: with many takes blocks get shorter, so that memory does not grow."""


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


def write_stems(song: ProcessedSong, folder: Path, *, workers: int, meter: EnergyMeter | None = None,
                on_progress: OnProgress = lambda share: None) -> list[Stem]:
    """Write every stem of a song into a folder.

    Parameters
    ----------
    song : ProcessedSong
    folder : Path
        Exists; nobody else writes into it.
    workers : int
        Threads.
    meter : EnergyMeter, optional
        Also measures the takes (and bed) on the way, if they have not been measured yet.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Returns
    -------
    list of Stem
        Also if samples exceed full scale: look at `overs` before keeping the files.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    for name in ("takes", "layers"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    parts = _parts(song.sections, song.frames)
    stems = plan_stems(song)
    with ExitStack() as on_failure, ThreadPoolExecutor(workers) as pool:
        recorders = []
        for stem in stems:
            recorders.append(StemRecorder(stem, song, folder, parts))
            on_failure.callback(recorders[-1].writer.abandon)
        tasks = _OrderedTasks(pool)
        before: list[Future[Any]] = []
        for at, blocks in _read_ahead(song, pool):
            started = _start_block(song, recorders, tasks, meter, blocks, at)
            _wait_for(before)
            before = started
            if _is_wide(song):
                # The next block is read into the same arrays.
                _wait_for(before)
            on_progress(len(blocks[0]) / song.frames)
        _wait_for(before)
        _wait_for([pool.submit(recorder.finish) for recorder in recorders])
        on_failure.pop_all()
    return stems


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
    return OutputError("\n".join(lines))


def lowering_gain(stems: Sequence[Stem]) -> float:
    """The factor, in whole hundredths of a dB, that brings the highest of all stems just below full scale."""
    highest_db = max(stem.overs.peak_dbfs for stem in stems if stem.overs)
    return float(10 ** (-(math.ceil(highest_db * 100) + 1) / 100 / 20))


def _parts(sections: Sequence[SongPart], frames: int) -> list[tuple[int, int]]:
    """The song cut at the edges of every section."""
    edges = sorted({0, frames, *(part.start for part in sections), *(part.stop for part in sections)})
    return list(pairwise(edges))


def _block_frames(song: ProcessedSong) -> int:
    """Frames of a block, whole seconds."""
    seconds = max(1, min(_LONGEST_BLOCK_S, _BLOCK_SAMPLES // (song.rate_hz * len(song.takes))))
    return seconds * song.rate_hz


def _is_wide(song: ProcessedSong) -> bool:
    """Whether there are so many takes that two blocks would need too much memory."""
    return _block_frames(song) * len(song.takes) > 2 * _BLOCK_SAMPLES


def _read_ahead(song: ProcessedSong, pool: ThreadPoolExecutor) -> Iterator[tuple[int, list[npt.NDArray[np.float32]]]]:
    """The song's blocks, each read while the one before is worked on; in a wide song always into the same arrays."""
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


def _start_block(song: ProcessedSong, recorders: Sequence[StemRecorder], tasks: _OrderedTasks,
                 meter: EnergyMeter | None, blocks: list[npt.NDArray[np.float32]], at: int) -> list[Future[Any]]:
    """Start to write one block into every file."""
    takes, layers, blend = recorders[: len(song.takes)], recorders[len(song.takes) : -1], recorders[-1]

    def layer_block(n: int, recorder: StemRecorder) -> PcmArray:
        return recorder.add(song.layer_of(song.layers[n], blocks, at))

    of_layers = [tasks.submit(recorder, layer_block, n, recorder) for n, recorder in enumerate(layers)]
    rest: list[Future[Any]] = []
    if meter is not None:
        rest.append(tasks.submit(meter, _measure, song, meter, blocks, at))
    rest += [tasks.submit(recorder, recorder.add, blocks[n], song.take_gain_of(n)) for n, recorder in enumerate(takes)]
    rest.append(tasks.submit(blend, lambda: blend.add_sum([future.result() for future in of_layers])))
    return rest


def _measure(song: ProcessedSong, meter: EnergyMeter, blocks: list[npt.NDArray[np.float32]], at: int) -> None:
    """Measure one block, piece by piece: many takes side by side in float64 would need much memory."""
    frames = len(blocks[0])
    size = max(song.rate_hz // 10, _BLOCK_SAMPLES // song.channels)
    for start in range(0, frames, size):
        meter.add(song.channels_of([block[start : start + size] for block in blocks], at + start))


class _OrderedTasks:
    """Tasks in a pool: those of one owner run one after another, in the order they were submitted."""

    def __init__(self, pool: ThreadPoolExecutor) -> None:
        self._pool = pool
        self._last: dict[int, Future[Any]] = {}

    def submit(self, owner: object, work: Callable[..., T], *args: Any) -> Future[T]:
        """Run `work(*args)` when the owner's last task is done; fail if that failed."""
        last = self._last.get(id(owner))

        def after_last() -> T:
            # The pool starts tasks in their order, so the one waited for has begun.
            if last is not None:
                last.result()
            return work(*args)

        future = self._last[id(owner)] = self._pool.submit(after_last)
        return future


def _wait_for(futures: Sequence[Future[Any]]) -> None:
    """Wait until all are done; raise what they raise."""
    for future in futures:
        future.result()
