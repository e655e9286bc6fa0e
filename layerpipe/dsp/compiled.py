"""The loops in which every frame needs the one before: compiled by numba on first use, plain Python otherwise.

All of them live in this module and take their constants as arguments, because a compiled cache does not notice
what changes elsewhere. Nothing is compiled or imported until a kernel is called. `fastmath` stays off, so that the
plain loop gives the same numbers, bit for bit. The GIL is released: takes run side by side in threads.

To add a kernel: a function of arrays and numbers under `@kernel`, results written into arrays it is handed.
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Generic, ParamSpec, TypeVar

from layerpipe.sound import FloatArray

P = ParamSpec("P")
R = TypeVar("R")

_one_at_a_time = threading.RLock()


class Kernel(Generic[P, R]):
    """A loop that compiles itself when it is first called; `.plain` is the loop as written."""

    def __init__(self, loop: Callable[P, R]) -> None:
        self.plain = loop
        self._fast: Callable[P, R] | None = None
        functools.update_wrapper(self, loop)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run the compiled loop, compiling it first if need be."""
        if self._fast is None:
            with _one_at_a_time:
                if self._fast is None:
                    result, self._fast = _first_call(self.plain, args, kwargs)
                    return result
        return self._fast(*args, **kwargs)


def kernel(loop: Callable[P, R]) -> Kernel[P, R]:
    """Mark a loop for compilation on first use."""
    return Kernel(loop)


def _first_call(loop: Callable[P, R], args: Any, kwargs: Any) -> tuple[R, Callable[P, R]]:
    """Compile and call; a cache that cannot be used costs time, never the result."""
    numba = _numba()
    if numba is None:
        return loop(*args, **kwargs), loop
    try:
        fast = numba.njit(loop, nogil=True, cache=True)
        return fast(*args, **kwargs), fast
    except (RuntimeError, OSError, EOFError, ValueError):
        # No place for the cache, or an entry cut short by an interrupted write: do without it.
        fast = numba.njit(loop, nogil=True)
        return fast(*args, **kwargs), fast


@functools.cache
def _numba() -> Any:
    """numba with a cache folder of our own (beside the package it would outlive an uninstall); None without numba."""
    try:
        import numba
    except ImportError:
        return None
    from layerpipe import __version__
    from layerpipe.places import cache_folder

    folder: Path = cache_folder() / f"compiled-{__version__}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        config: Any = numba.config
        config.CACHE_DIR = str(folder)
    except OSError:
        pass  # numba then looks for a place itself, and `_first_call` does without if it finds none
    return numba


@kernel
def run_one_section(b0: float, b1: float, b2: float, a1: float, a2: float,
                    samples: FloatArray, state: FloatArray, out: FloatArray) -> None:
    """One biquad, transposed direct form II, in scipy.signal.sosfilt's order of operations; state is (2,)."""
    z0, z1 = state[0], state[1]
    for n in range(len(samples)):
        x = samples[n]
        y = b0 * x + z0
        z0 = b1 * x - a1 * y + z1
        z1 = b2 * x - a2 * y
        out[n] = y
    state[0], state[1] = z0, z1


@kernel
def run_two_sections(first: FloatArray, second: FloatArray, samples: FloatArray, state: FloatArray,
                     out: FloatArray) -> None:
    """Two biquads in a row: the second runs while the processor waits for the first; state is (2, 2)."""
    b0, b1, b2, a1, a2 = first[0], first[1], first[2], first[4], first[5]
    c0, c1, c2, d1, d2 = second[0], second[1], second[2], second[4], second[5]
    z0, z1, w0, w1 = state[0, 0], state[0, 1], state[1, 0], state[1, 1]
    for n in range(len(samples)):
        x = samples[n]
        y = b0 * x + z0
        z0 = b1 * x - a1 * y + z1
        z1 = b2 * x - a2 * y
        v = c0 * y + w0
        w0 = c1 * y - d1 * v + w1
        w1 = c2 * y - d2 * v
        out[n] = v
    state[0, 0], state[0, 1], state[1, 0], state[1, 1] = z0, z1, w0, w1


@kernel
def smooth_reduction(reduction_db: FloatArray, attack: float, release: float, state: FloatArray,
                     out: FloatArray) -> None:
    """Smooth decoupled peak detector on the reduction in dB. Giannoulis et al. 2012, eq. 17; state is (y1, yL)."""
    held, smooth = state[0], state[1]
    for n in range(len(reduction_db)):
        now = reduction_db[n]
        falling = release * held + (1.0 - release) * now
        held = now if now > falling else falling
        smooth = attack * smooth + (1.0 - attack) * held
        out[n] = smooth
    state[0], state[1] = held, smooth
