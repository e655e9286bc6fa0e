"""The inner products of channels with each other, step by step: measured once as a stream, stored in one small file.

For every 10 ms step: the packed upper triangle (rows first: 00 01 .. 0n 11 ..) of the inner products of all K-weighted
channels, then the energies of sounds that are only measured alone; for every hop of ten steps the same without
K-weighting. Steps are those of `dsp.loudness`, counted from frame 0; an incomplete last step is not stored. float64
throughout. Which channels there are is up to the caller (`ProcessedSong.channels`): products of all takes with each
other would grow with the square of their number.
One hop is one record of 11 rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.dsp import kernels
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, STEPS_PER_S, step_start, step_starts
from layerpipe.dsp.loudness.k_weighting import k_weighting
from layerpipe.render.energies.records import Records, Spool

MOST_ROWS = 4096
_ROWS = HOP_STEPS + 1
# Far below anything audible, far above the subnormal numbers that slow arithmetic down.
_AT_REST = 1e-100


class Energies(Records):
    """Inner products of `channels` channels, and energies of `alone` sounds, over `steps` steps.

    Made by `EnergyMeter.finish` or `Energies.load`.
    """

    magic, kind = b"layerpipe energ2", "<f8"

    @property
    def channels(self) -> int:
        """Number of channels multiplied with each other."""
        return self.sizes[0]

    @property
    def alone(self) -> int:
        """Number of further sounds, each measured alone."""
        return self.sizes[1]

    @property
    def pairs(self) -> int:
        """Number of products of the channels."""
        return self.channels * (self.channels + 1) // 2

    @property
    def record_shape(self) -> tuple[int, int]:
        """Ten steps and the hop they make, by products and energies alone."""
        return _ROWS, self.pairs + self.alone

    @property
    def count(self) -> int:
        """Number of hops of 100 ms, an incomplete last one included; `steps // 10` are complete."""
        return -(-self.steps // HOP_STEPS)

    @staticmethod
    def are_possible(sizes: tuple[int, int]) -> bool:
        """Whether a file may have these numbers of channels and sounds alone."""
        return 1 <= sizes[0] <= sum(sizes) <= MOST_ROWS

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
        whole = self.steps // HOP_STEPS
        last = -(-min(stop_step, self.steps) // HOP_STEPS)
        for hop in range(first_step // HOP_STEPS, last, self.at_once):
            records = self.read(hop, min(hop + self.at_once, last))
            weighted = records[:, :HOP_STEPS].reshape(-1, records.shape[2])[: self.steps - hop * HOP_STEPS]
            plain = records[: max(0, whole - hop), HOP_STEPS].copy()
            del records
            yield hop * HOP_STEPS, weighted, plain
            del weighted, plain


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
            Where results above 1 MB are kept until they are saved; default: the system's temporary folder.

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
        self._hop, self._filled, self._frames = 0, 0, 0
        self._hop_frames = step_start(HOP_STEPS, rate_hz)
        self._spool = Spool(spool_folder)

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
        return Energies(self._spool.finish(), 0, (self.channels, self.alone), self.rate_hz, self._frames,
                        whole * HOP_STEPS + left_over, self._spool.check)

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
        self._spool.add(self._record)
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
