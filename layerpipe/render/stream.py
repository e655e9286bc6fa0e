"""A song's blocks on their way: read ahead, and worked on side by side with the order kept where it counts."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeVar

import numpy as np

from layerpipe.core.sound import Float32Array
from layerpipe.render.energies.meter import EnergyMeter
from layerpipe.render.song import ProcessedSong

T = TypeVar("T")

_LONGEST_BLOCK_S = 4
"""Long blocks cost fewer hand-overs between threads."""
_BLOCK_SAMPLES = 1 << 20
"""Of all takes together: with many takes blocks get shorter, so that memory does not grow."""


class BlockStream:
    """Iterates over a song's blocks; tasks on a block run in a pool while the next one is read and worked on.

    Tasks of one owner run one after another, in the order they were submitted. At most two blocks are held; in a song
    of very many takes one, always in the same arrays.
    """

    def __init__(self, song: ProcessedSong, pool: ThreadPoolExecutor) -> None:
        self._song, self._pool = song, pool
        self._last: dict[Hashable, Future[Any]] = {}
        self._started: list[Future[Any]] = []
        seconds = max(1, min(_LONGEST_BLOCK_S, _BLOCK_SAMPLES // (song.rate_hz * len(song.takes))))
        self._frames = seconds * song.rate_hz

    def __iter__(self) -> Iterator[tuple[int, list[Float32Array]]]:
        """First frame and every take's frames of each block; ends when all tasks are done."""
        before: list[Future[Any]] = []
        for at, blocks in self._read_ahead():
            yield at, blocks
            _wait_for(before)
            before, self._started = self._started, []
            if self._is_wide:
                _wait_for(before)
        _wait_for(before)

    def submit(self, owner: Hashable, work: Callable[..., T], *args: Any) -> Future[T]:
        """Run `work(*args)` when the owner's last task is done; fail if that failed."""
        last = self._last.get(owner)

        def after_last() -> T:
            # The pool starts tasks in their order, so the one waited for has begun.
            if last is not None:
                last.result()
            return work(*args)

        future = self._last[owner] = self._pool.submit(after_last)
        self._started.append(future)
        return future

    @property
    def _is_wide(self) -> bool:
        """Whether there are so many takes that two blocks would need too much memory."""
        return self._frames * len(self._song.takes) > 2 * _BLOCK_SAMPLES

    def _read_ahead(self) -> Iterator[tuple[int, list[Float32Array]]]:
        """The song's blocks, each read while the one before is worked on."""
        song, size = self._song, self._frames
        if self._is_wide:
            room = np.empty((len(song.takes), size), dtype="<f4")
            for at in range(0, song.frames, size):
                rows = list(room[:, : song.frames - at])
                list(self._pool.map(lambda processed, row, at=at: processed.sound.read_into(at, row), song.takes, rows))
                yield at, rows
            return
        blocks = song.blocks(0, song.frames, size)
        coming: Future[Any] = self._pool.submit(next, blocks, None)
        while (block := coming.result()) is not None:
            coming = self._pool.submit(next, blocks, None)
            yield block


def measure_block(song: ProcessedSong, meter: EnergyMeter, blocks: Sequence[Float32Array], at: int) -> None:
    """Measure one block, piece by piece: many takes side by side in float64 would need much memory."""
    size = max(song.rate_hz // 10, _BLOCK_SAMPLES // (song.channels + len(song.summed_takes)))
    for start in range(0, len(blocks[0]), size):
        meter.add(song.rows_of([block[start : start + size] for block in blocks], at + start))


def _wait_for(futures: Sequence[Future[Any]]) -> None:
    """Wait until all are done; raise what they raise."""
    for future in futures:
        future.result()
