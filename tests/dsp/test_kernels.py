"""Loops as machine code: what is kept is used without the compiler, checked, and made again where it is unfit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from layerpipe.dsp import kernels
from layerpipe.dsp.kernels import jit

ROUND = """
import sys
import numpy as np
from layerpipe.dsp import kernels
pcm = np.empty(4, np.int32)
misfits = kernels.round_samples(np.array([0.25, -0.5, 0.75, 2.0]), 1.0, 32768.0, pcm)
print(misfits, *pcm, "numba" in sys.modules)
"""
ROUNDED = "1 8192 -16384 24576 32767"


def round_anew(cache: Path) -> str:
    """Round four samples in a process of its own; what it says."""
    done = subprocess.run([sys.executable, "-c", ROUND], capture_output=True, text=True, check=True,
                          env={**os.environ, "LAYERPIPE_CACHE": str(cache)})
    return done.stdout.strip()


def test_the_compiler_is_needed_once(tmp_path: Path) -> None:
    assert round_anew(tmp_path) == f"{ROUNDED} True"
    assert round_anew(tmp_path) == f"{ROUNDED} False"
    assert [path.suffix for path in tmp_path.glob("compiled-*/*")] == [".code"]


@pytest.mark.parametrize("damage", [lambda code: code[:100], lambda code: b"", lambda code: code[:-9] + b"\0" * 9])
def test_damaged_code_is_made_again_and_never_run(tmp_path: Path, damage) -> None:
    round_anew(tmp_path)
    (kept,) = tmp_path.glob("compiled-*/*.code")
    whole = kept.read_bytes()
    kept.write_bytes(damage(whole))
    assert round_anew(tmp_path) == f"{ROUNDED} True"
    assert kept.read_bytes() == whole


def test_without_a_place_for_it_code_is_made_and_used(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder", "utf-8")
    assert round_anew(tmp_path / "file") == f"{ROUNDED} True"


def test_rows_of_a_larger_array_are_read_and_written_in_place() -> None:
    sound, state, out = np.arange(80.0).reshape(4, 20), np.zeros((4, 4)), np.zeros((4, 20))
    gain = np.array([2.0, 0, 0, 1, 0, 0])
    kernels.weight_four(gain, gain, sound[:, 5:9], state, out[:, 5:9])
    np.testing.assert_array_equal(out[:, 5:9], 4 * sound[:, 5:9])
    assert not out[:, :5].any()
    assert not out[:, 9:].any()


def test_a_loop_that_calls_for_more_than_arithmetic_is_refused() -> None:
    def noisy(out: np.ndarray) -> None:
        out[0] = np.random.random()

    with pytest.raises(AssertionError, match="may call nothing"):
        jit._compile(noisy, ("f8[]",))


def test_kernels_take_their_arguments_by_place() -> None:
    with pytest.raises(AssertionError, match="by place"):
        kernels.pack_24(pcm=np.zeros(1, np.uint32), words=np.zeros(0, np.uint32), rest=np.zeros(3, np.uint8))
