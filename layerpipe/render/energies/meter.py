"""The inner products of channels with each other, step by step: measured once as a stream, stored in one small file.

For every 10 ms step: the packed upper triangle (rows first: 00 01 .. 0n 11 ..) of the inner products of all K-weighted
channels, then the energies of sounds that are only measured alone; for every hop of ten steps the same without
K-weighting. Steps are those of `dsp.loudness`, counted from frame 0; an incomplete last step is not stored. float64
throughout. Which channels there are is up to the caller (`ProcessedSong.channels`): products of all takes with each
other would grow with the square of their number.
One hop is one record of 11 rows; a file is a header of 64 bytes and the records, little-endian, CRC-32 over both.
"""

from __future__ import annotations

import io
import os
import struct
import tempfile
import threading
import weakref
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import DamagedFile, ParameterError
from layerpipe.core.files.atomic import whole_file
from layerpipe.core.sound import FloatArray
from layerpipe.dsp import kernels
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, STEPS_PER_S, step_start, step_starts
from layerpipe.dsp.loudness.k_weighting import k_weighting

MOST_ROWS = 4096
_MAGIC = b"layerpipe energ2"
_HEADER = struct.Struct("<16sIIIQQI12xI")
_ROWS = HOP_STEPS + 1
_HELD_BYTES = 8 << 20
_READ_BYTES = 1 << 20
# Far below anything audible, far above the subnormal numbers that slow arithmetic down.
_AT_REST = 1e-100


class DamagedEnergies(DamagedFile):
    """A file of energies does not hold what was written into it."""


class Energies:
    """Inner products of `channels` channels, and energies of `alone` sounds, over `steps` steps.

    Made by `EnergyMeter.finish` or `Energies.load`. Read piece by piece, from memory or, above 8 MB, from a file, so
    memory does not grow with the song. Threads may share one.
    """

    def __init__(self, file: IO[bytes], at: int, *, channels: int, alone: int, rate_hz: int, frames: int, steps: int,
                 check: int) -> None:
        self.channels, self.alone, self.rate_hz, self.frames, self.steps = channels, alone, rate_hz, frames, steps
        self._file, self._at, self._check = file, at, check
        self.pairs = channels * (channels + 1) // 2
        self._record = (_ROWS, self.pairs + alone)
        self._one_at_a_time = threading.Lock()
        self._close = weakref.finalize(self, file.close)

    @property
    def hops(self) -> int:
        """Number of hops of 100 ms, an incomplete last one included; `steps // 10` are complete."""
        return -(-self.steps // HOP_STEPS)

    def column_of(self, row: int) -> int:
        """Column of the energy of a row of the meter's blocks: a channel, or a sound alone."""
        return (row * (2 * self.channels - row + 1) // 2 if row < self.channels else
                self.pairs + row - self.channels)

    def chunks(self, first_step: int, stop_step: int) -> Iterator[tuple[int, FloatArray, FloatArray]]:
        """Read steps first to stop in pieces of whole hops that begin at or before `first_step`.

        Yields
        ------
        first : int
            Step at which this piece begins, a multiple of 10.
        weighted : np.ndarray [shape=(steps, pairs + alone), float64]
            K-weighted, per 10 ms.
        plain : np.ndarray [shape=(hops, pairs + alone), float64]
            Unweighted, per whole 100 ms.
        """
        columns = self._record[1]
        whole = self.steps // HOP_STEPS
        last = -(-min(stop_step, self.steps) // HOP_STEPS)
        at_once = self._at_once
        for hop in range(first_step // HOP_STEPS, last, at_once):
            end = min(hop + at_once, last)
            records = self._read(hop, end)
            weighted = records[:, :HOP_STEPS].reshape(-1, columns)[: self.steps - hop * HOP_STEPS]
            yield hop * HOP_STEPS, weighted, records[: max(0, whole - hop), HOP_STEPS]

    def save(self, path: Path) -> None:
        """Write to one file, whole or not at all; another file of that name is replaced.

        Raises
        ------
        OSError
            If it cannot be written.
        """
        with whole_file(path) as new:
            new.file.write(self._header())
            at_once = self._at_once
            for hop in range(0, self.hops, at_once):
                new.file.write(self._bytes(hop, min(hop + at_once, self.hops)))

    @classmethod
    def load(cls, path: Path) -> Energies:
        """Open a file written by `save`, every byte checked.

        Raises
        ------
        DamagedEnergies
            If it is not such a file, is cut short or has been changed.
        OSError
            If it cannot be read.
        """
        file: IO[bytes] = path.open("rb")
        try:
            size = file.seek(0, os.SEEK_END)
            file.seek(0)
            if size <= _HELD_BYTES:
                held = io.BytesIO(file.read())
                file.close()
                file = held
            return cls._opened(file, size, path)
        except BaseException:
            file.close()
            raise

    @classmethod
    def _opened(cls, file: IO[bytes], size: int, path: Path) -> Energies:
        """Check header and content."""
        head = file.read(_HEADER.size)
        if len(head) < _HEADER.size:
            raise DamagedEnergies(f"{path}: cut short, or not a file of energies")
        magic, channels, alone, rate_hz, frames, steps, check, of_head = _HEADER.unpack(head)
        if magic != _MAGIC or zlib.crc32(head[:-4]) != of_head or not 1 <= channels <= channels + alone <= MOST_ROWS:
            raise DamagedEnergies(f"{path}: not a file of energies, or its header has been changed")
        energies = cls(file, _HEADER.size, channels=channels, alone=alone, rate_hz=rate_hz, frames=frames,
                       steps=steps, check=check)
        wanted = _HEADER.size + energies.hops * energies._record_bytes
        if size != wanted:
            raise DamagedEnergies(f"{path}: {size} bytes where {wanted} were written")
        found = 0
        while piece := file.read(1 << 20):
            found = zlib.crc32(piece, found)
        if found != check:
            raise DamagedEnergies(f"{path}: its content has been changed")
        return energies

    def _header(self) -> bytes:
        """The 64 bytes before the records; the last four check the others."""
        head = _HEADER.pack(_MAGIC, self.channels, self.alone, self.rate_hz, self.frames, self.steps, self._check,
                            0)[:-4]
        return head + struct.pack("<I", zlib.crc32(head))

    @property
    def _record_bytes(self) -> int:
        return 8 * self._record[0] * self._record[1]

    @property
    def _at_once(self) -> int:
        """How many records are read in one piece."""
        return max(1, _READ_BYTES // self._record_bytes)

    def _bytes(self, hop: int, stop: int) -> bytes:
        """Records as they lie in the file."""
        with self._one_at_a_time:
            self._file.seek(self._at + hop * self._record_bytes)
            found = self._file.read((stop - hop) * self._record_bytes)
        if len(found) != (stop - hop) * self._record_bytes:
            raise DamagedEnergies("the energies became shorter while they were read")
        return found

    def _read(self, hop: int, stop: int) -> FloatArray:
        """Records as an array, shape (hops, 11, pairs + alone)."""
        return np.frombuffer(self._bytes(hop, stop), dtype="<f8").reshape(stop - hop, *self._record)


class EnergyMeter:
    """Measures channels side by side as a stream; the block size changes no bit.

    Work is done in whole hops of 100 ms counted from frame 0, whatever the blocks are.
    """

    def __init__(self, channels: int, rate_hz: int, *, alone: int = 0, spool_folder: Path | None = None) -> None:
        """Begin at frame 0.

        Parameters
        ----------
        channels : int
            Multiplied with each other; at least 1.
        rate_hz : int
            8000 to 192000.
        alone : int
            Further sounds of which only the energy is measured; with the channels at most 4096.
        spool_folder : Path, optional
            Where results above 8 MB are kept until they are saved; default: the system's temporary folder.

        Raises
        ------
        ParameterError
            If numbers or rate are outside their ranges.
        """
        if not 1 <= channels <= MOST_ROWS or not 0 <= alone <= MOST_ROWS - channels:
            raise ParameterError(f"channels={channels} must be inside [1, {MOST_ROWS}], with alone={alone} too")
        self.channels, self.alone, self.rate_hz = channels, alone, rate_hz
        self._sections = k_weighting(rate_hz)
        rows = -(-(channels + alone) // 4) * 4
        most = rate_hz // 10 + 1
        # The kernel takes rows by four; the ones past the last sound stay silent.
        self._block, self._weighted = np.zeros((rows, most)), np.zeros((rows, most))
        self._state = np.zeros((rows, 4))
        upper, lower = np.triu_indices(channels)
        self._packed = upper * channels + lower
        self._record = np.zeros((_ROWS, len(upper) + alone), dtype="<f8")
        self._hop, self._filled, self._frames, self._check = 0, 0, 0, 0
        self._hop_frames = step_start(HOP_STEPS, rate_hz)
        # Closed by Energies, to which it passes; an abandoned meter's file is closed by its finalizer.
        self._spool: IO[bytes] = tempfile.SpooledTemporaryFile(  # noqa: SIM115
            max_size=_HELD_BYTES, dir=str(spool_folder) if spool_folder else None)
        self._abandon = weakref.finalize(self, self._spool.close)

    def add(self, block: npt.NDArray[np.float32] | FloatArray) -> None:
        """Add the next frames of everything.

        Parameters
        ----------
        block : np.ndarray [shape=(channels + alone, frames), float32 or float64]
            Any number of frames.

        Raises
        ------
        ParameterError
            If the block has another number of rows.
        """
        rows = self.channels + self.alone
        if block.ndim != 2 or block.shape[0] != rows:
            raise ParameterError(f"block of shape {block.shape}: must be ({rows}, frames)")
        at, frames = 0, block.shape[1]
        while at < frames:
            count = min(self._hop_frames - self._filled, frames - at)
            self._block[:rows, self._filled : self._filled + count] = block[:, at : at + count]
            self._filled += count
            at += count
            if self._filled == self._hop_frames:
                self._end_hop(HOP_STEPS)
        self._frames += frames

    def finish(self) -> Energies:
        """End the song; the meter cannot be used again."""
        starts = step_starts(self._hop * HOP_STEPS, (self._hop + 1) * HOP_STEPS, self.rate_hz)
        left_over = int(np.searchsorted(starts, starts[0] + self._filled, side="right")) - 1
        whole = self._hop
        if left_over:
            self._end_hop(left_over)
        self._abandon.detach()
        return Energies(self._spool, 0, channels=self.channels, alone=self.alone, rate_hz=self.rate_hz,
                        frames=self._frames, steps=whole * HOP_STEPS + left_over, check=self._check)

    def _end_hop(self, steps: int) -> None:
        """Weight the frames of a hop, multiply them and store the record; an incomplete hop has no unweighted row."""
        count = self._filled
        block, weighted = self._block[:, :count], self._weighted[:, :count]
        for row in range(0, len(block), 4):
            kernels.run_two_sections_of_four(self._sections[0], self._sections[1], block[row : row + 4],
                                 self._state[row : row + 4], weighted[row : row + 4])
        self._state[np.abs(self._state) < _AT_REST] = 0.0
        self._record[:] = 0.0
        first = self._hop * HOP_STEPS
        starts = step_starts(first, first + steps, self.rate_hz) - step_start(first, self.rate_hz)
        if self.rate_hz % STEPS_PER_S == 0:
            # Every step is as long as the next: all of them in one call.
            self._multiply(weighted[:, : starts[-1]].reshape(len(weighted), steps, -1).transpose(1, 0, 2),
                           self._record[:steps])
        else:
            for step in range(steps):
                self._multiply(weighted[None, :, starts[step] : starts[step + 1]], self._record[step : step + 1])
        if steps == HOP_STEPS:
            self._multiply(block[None], self._record[HOP_STEPS:])
        data = self._record.data.cast("B")
        self._spool.write(data)
        self._check = zlib.crc32(data, self._check)
        self._hop += 1
        self._filled = 0
        self._hop_frames = (step_start((self._hop + 1) * HOP_STEPS, self.rate_hz)
                            - step_start(self._hop * HOP_STEPS, self.rate_hz))

    def _multiply(self, sound: FloatArray, out: FloatArray) -> None:
        """Products of the channels and energies of the others: sound (steps, rows, frames), out (steps, columns)."""
        multiplied = sound[:, : self.channels]
        products = np.matmul(multiplied, multiplied.transpose(0, 2, 1)).reshape(len(sound), -1)
        out[:, : len(self._packed)] = products[:, self._packed]
        alone = sound[:, self.channels : self.channels + self.alone]
        np.einsum("srf,srf->sr", alone, alone, out=out[:, len(self._packed) :])
