"""The energies of any mix of channels, from their inner products; the sound is read only where gains move.

K-weighting is linear: with G the products of one step and a_left, a_right the gains (level, pan, polarity) of the
channels, the step's energy is a_left' G a_left + a_right' G a_right. That holds while gains stand still. The hops of
100 ms in which they move, and the one after, are mixed and weighted frame by frame instead: a few per section.
Gains are amplitude factors.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.filters import run_sections
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, STEPS_PER_S, frames_of_steps, step_start, step_starts, steps_inside
from layerpipe.dsp.loudness.k_weighting import k_weighting
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.readings import Blend, Hops, Readings

Gains = FloatArray | Callable[[int, int], FloatArray]
"""Per channel, shape (channels,); or a function of steps first to stop that gives (channels,) or (steps, channels)."""
Piece = tuple[FloatArray, FloatArray, FloatArray]
_HOPS_PER_S = STEPS_PER_S // HOP_STEPS
_SETTLED_HOPS = 1
"""How long the weighting filter remembers: its slowest poles are real, at 38 Hz, and are at 1e-9 after 100 ms."""


class Mix(Struct, frozen=True):
    """A mix of the channels: the gains on both sides, and where they move the sound itself.

    Parameters
    ----------
    left, right : Gains
        Outside the moving spans these are exact; inside them they are not looked at.
    moving : sequence of (start, stop)
        Frames between which a gain moves.
    sound : function of start, stop
        The mix between two frames, shape (frames, 2); needed where something moves.
    """

    left: Gains
    right: Gains
    moving: tuple[tuple[int, int], ...] = ()
    sound: Callable[[int, int], FloatArray] | None = None

    def __add__(self, other: Mix) -> Mix:
        """Both at once."""
        one, two = self.sound, other.sound
        both = None if one is None or two is None else lambda start, stop: one(start, stop) + two(start, stop)
        return Mix(_sum(self.left, other.left), _sum(self.right, other.right), self.moving + other.moving, both)


class Alone(Struct, frozen=True):
    """One row of the meter's blocks (a channel, or a sound measured alone) at a gain, as a mono file."""

    row: int
    gain: float


def measure_mixes(energies: Energies, mixes: Sequence[Mix | Alone], start_frame: int = 0,
                  stop_frame: int | None = None) -> list[Blend]:
    """Energies of several mixes in one pass over the products.

    Parameters
    ----------
    energies : Energies
    mixes : sequence of Mix or Alone
    start_frame, stop_frame : int
        Only this part; nothing outside it can be read from the result.

    Returns
    -------
    list of Blend [about 16 bytes per step each]

    Raises
    ------
    ParameterError
        If gains have another shape.
    """
    first, stop = _steps_of(energies, start_frame, stop_frame)
    first = first // HOP_STEPS * HOP_STEPS
    hops = max(0, min(-(-stop // HOP_STEPS), energies.steps // HOP_STEPS) - first // HOP_STEPS)
    found = [Blend(energies.rate_hz, first, np.zeros(stop - first), np.zeros(stop - first), np.zeros((hops, 3)))
             for _ in mixes]
    at = hop = 0
    for pieces in measure_mixes_by_piece(energies, mixes, start_frame, stop_frame):
        for blend, (stereo, mono, plain) in zip(found, pieces, strict=True):
            blend.stereo[at : at + len(stereo)] = stereo
            blend.mono[at : at + len(mono)] = mono
            blend.plain[hop : hop + len(plain)] = plain
        at, hop = at + len(pieces[0][0]), hop + len(pieces[0][2])
    return found


def measure_mixes_by_piece(energies: Energies, mixes: Sequence[Mix | Alone], start_frame: int = 0,
                           stop_frame: int | None = None) -> Iterator[list[Piece]]:
    """As `measure_mixes`, piece by piece of the song: of each mix the three arrays of a `Blend`."""
    first, stop = _steps_of(energies, start_frame, stop_frame)
    moving = [None if isinstance(mix, Alone) else _MovingHops(mix, energies) for mix in mixes]
    pairs = _Pairs(energies.channels)
    for at, weighted, plain in energies.chunks(first, stop):
        pieces: list[Piece] = []
        for mix, exact in zip(mixes, moving, strict=True):
            if isinstance(mix, Alone):
                piece = _piece_alone(mix, energies, weighted, plain)
            else:
                piece = _piece(mix, energies, pairs, at, weighted[:, : energies.pairs], plain[:, : energies.pairs])
            if exact is not None:
                exact.put_into(piece, at)
            pieces.append((piece[0][: stop - at], piece[1][: stop - at], piece[2]))
        # Not held while the next ones are read.
        del weighted, plain
        yield pieces
        del piece, pieces


def measure_hops(energies: Energies, mix: Mix | Alone, start_frame: int = 0, stop_frame: int | None = None) -> Hops:
    """A mix by hops of 100 ms that are counted from the first step inside a span."""
    first, stop = _steps_of(energies, start_frame, stop_frame)
    energy = np.zeros((2, (stop - first) // HOP_STEPS))
    # Pieces begin on hops of the song, the first one at or before the span.
    hop, skipped, left = 0, first % HOP_STEPS, [np.zeros(0), np.zeros(0)]
    for [piece] in measure_mixes_by_piece(energies, [mix], start_frame, stop_frame):
        for fold, into in enumerate(energy):
            steps = np.concatenate([left[fold], piece[fold][skipped:]])
            whole = len(steps) // HOP_STEPS
            into[hop : hop + whole] = steps[: whole * HOP_STEPS].reshape(whole, HOP_STEPS).sum(axis=1)
            left[fold] = steps[whole * HOP_STEPS :].copy()
        hop, skipped = hop + whole, 0
    return Hops(energy, frames_of_steps(first, first + hop * HOP_STEPS, energies.rate_hz, HOP_STEPS))


def _piece(mix: Mix, energies: Energies, pairs: _Pairs, at: int, weighted: FloatArray, plain: FloatArray) -> Piece:
    """A mix over a piece of the products that begins at step `at`."""
    left, right = (_gains_of_steps(gains, at, at + len(weighted), energies) for gains in (mix.left, mix.right))
    middle = (left + right) / 2
    stereo = _form(weighted, pairs.weights(left, left) + pairs.weights(right, right))
    mono = _form(weighted, 2 * pairs.weights(middle, middle))
    a, b = _by_hop(left, len(plain)), _by_hop(right, len(plain))
    sums = [_form(plain, pairs.weights(one, other)) for one, other in ((a, a), (b, b), (a, b))]
    # Where channels cancel, rounding may leave less than nothing.
    return np.maximum(stereo, 0.0), np.maximum(mono, 0.0), np.stack(sums, axis=1)


def _piece_alone(mix: Alone, energies: Energies, weighted: FloatArray, plain: FloatArray) -> Piece:
    """One sound over a piece of the products; half of it on both speakers has half its energy."""
    column, power = energies.column_of(mix.row), mix.gain**2
    stereo, sides = power * weighted[:, column], np.zeros((len(plain), 3))
    sides[:, 0] = power * plain[:, column]
    return stereo, stereo / 2, sides


def read_mix(energies: Energies, mix: Mix | Alone, start_frame: int = 0, stop_frame: int | None = None) -> Readings:
    """Readings of one mix over one span. For many spans or mixes use `measure_mixes` and `Blend.readings`."""
    return measure_mixes(energies, [mix], start_frame, stop_frame)[0].readings(start_frame, stop_frame)


class _MovingHops:
    """The energies of the hops in which a mix's gains move, found in its sound when they are first asked for.

    The work is done in runs of hops inside one second of the song, whatever pieces are asked for: so the pieces
    change no bit, and no run is long.
    """

    def __init__(self, mix: Mix, energies: Energies) -> None:
        if mix.moving and mix.sound is None:
            raise ParameterError("a mix whose gains move needs its sound")
        self._sound, self._energies = mix.sound, energies
        hops = sorted({hop for start, stop in mix.moving for hop in range(
            max(start, 0) * _HOPS_PER_S // energies.rate_hz,
            min(-(-stop * _HOPS_PER_S // energies.rate_hz) + _SETTLED_HOPS, energies.count))})
        self._runs: list[tuple[int, int]] = []
        for hop in hops:
            if self._runs and self._runs[-1][1] == hop and hop % _HOPS_PER_S:
                self._runs[-1] = self._runs[-1][0], hop + 1
            else:
                self._runs.append((hop, hop + 1))
        self._last: tuple[tuple[int, int], Piece] | None = None

    def put_into(self, piece: Piece, at: int) -> None:
        """Replace the moving hops of a piece that begins at step `at`."""
        stereo, mono, plain = piece
        for run in self._runs:
            first, stop = max(run[0] * HOP_STEPS, at), min(run[1] * HOP_STEPS, at + len(stereo))
            if first >= stop:
                continue
            exact = self._measure(run)
            here, there = slice(first - at, stop - at), slice(first - run[0] * HOP_STEPS, stop - run[0] * HOP_STEPS)
            stereo[here], mono[here] = exact[0][there], exact[1][there]
            hop, end = first // HOP_STEPS, min(stop // HOP_STEPS, at // HOP_STEPS + len(plain))
            plain[hop - at // HOP_STEPS : end - at // HOP_STEPS] = exact[2][hop - run[0] : end - run[0]]

    def _measure(self, run: tuple[int, int]) -> Piece:
        """Steps in stereo and mono and unweighted hops of a run, as in a `Blend`."""
        if self._last is not None and self._last[0] == run:
            return self._last[1]
        assert self._sound is not None
        rate_hz = self._energies.rate_hz
        starts = step_starts(run[0] * HOP_STEPS, min(run[1] * HOP_STEPS, self._energies.steps), rate_hz)
        begin = step_start(max(run[0] - _SETTLED_HOPS, 0) * HOP_STEPS, rate_hz)
        sound = self._sound(begin, int(starts[-1]))
        sections = k_weighting(rate_hz)
        left, right = (run_sections(sections, side)[0] for side in sound.T)
        edges = starts[:-1] - begin
        stereo = np.add.reduceat(left**2 + right**2, edges)
        mono = np.add.reduceat((left + right) ** 2 / 2, edges)
        hops = edges[: len(edges) // HOP_STEPS * HOP_STEPS : HOP_STEPS]
        plain = np.zeros((0, 3))
        if len(hops):
            a, b = sound[: starts[len(hops) * HOP_STEPS] - begin].T
            plain = np.stack([np.add.reduceat(product, hops) for product in (a * a, b * b, a * b)], axis=1)
        self._last = run, (stereo, mono, plain)
        return self._last[1]


class _Pairs:
    """The packed products of some channels, and how much each counts in the inner product of two mixes."""

    def __init__(self, channels: int) -> None:
        self._upper, self._lower = np.triu_indices(channels)
        self._off_diagonal = (self._upper != self._lower).astype(np.float64)

    def weights(self, one: FloatArray, other: FloatArray) -> FloatArray:
        """Weights of the products, shape (..., pairs)."""
        upper, lower = self._upper, self._lower
        swapped = one[..., lower] * other[..., upper] * self._off_diagonal
        weights: FloatArray = one[..., upper] * other[..., lower] + swapped
        return weights


def _gains_of_steps(gains: Gains, first: int, stop: int, energies: Energies) -> FloatArray:
    """Gains of steps first to stop: (channels,) where nothing changes in between, else (steps, channels)."""
    rows = gains(first, stop) if callable(gains) else np.asarray(gains, dtype=np.float64)
    if rows.shape not in ((energies.channels,), (stop - first, energies.channels)):
        raise ParameterError(f"gains of shape {rows.shape}: must be ({energies.channels},) or "
                             f"({stop - first}, {energies.channels})")
    return rows[0].copy() if rows.ndim == 2 and len(rows) and bool((rows == rows[0]).all()) else rows


def _sum(one: Gains, other: Gains) -> Gains:
    """Gains of two mixes at once."""
    if not callable(one) and not callable(other):
        return one + other

    def both(first: int, stop: int) -> FloatArray:
        a, b = (gains(first, stop) if callable(gains) else gains for gains in (one, other))
        return a + b

    return both


def _by_hop(rows: FloatArray, hops: int) -> FloatArray:
    """Gains of each whole hop; those in which they move are replaced afterwards."""
    return rows if rows.ndim == 1 else rows[: hops * HOP_STEPS : HOP_STEPS]


def _form(products: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sums of each step's products; products with no weight are not read."""
    used = np.flatnonzero(weights if weights.ndim == 1 else weights.any(axis=0))
    if len(used) < products.shape[1]:
        products, weights = products[:, used], weights[..., used]
    result: FloatArray = products @ weights if weights.ndim == 1 else np.einsum("sp,sp->s", products, weights)
    return result


def _steps_of(energies: Energies, start_frame: int, stop_frame: int | None) -> tuple[int, int]:
    """Steps of the energies that lie wholly inside a span of frames."""
    stop_frame = energies.frames if stop_frame is None else stop_frame
    first, stop = steps_inside(max(0, start_frame), stop_frame, energies.rate_hz)
    stop = min(stop, energies.steps)
    return min(first, stop), stop
