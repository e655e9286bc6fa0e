"""Loops over samples as machine code; `jit` says what a loop may do.

Each file holds everything that its loops use, because their code is kept under a digest of that file only. To add a
loop: a function of arrays and numbers under `@kernel`, and its name here.
"""

from __future__ import annotations

from layerpipe.dsp.kernels.dynamics import compress, summarize_reduction
from layerpipe.dsp.kernels.filters import run_one_section, run_two_sections, run_two_sections_of_four
from layerpipe.dsp.kernels.peaks import find_true_peak
from layerpipe.dsp.kernels.prediction import burg_predictor, extrapolate, solve_predictors
from layerpipe.dsp.kernels.samples import (
    add_noise,
    add_panned,
    apply_gains,
    find_extremes,
    pack_24,
    round_samples,
    unpack_24,
)
from layerpipe.dsp.kernels.searches import (
    average_lines,
    choose_fingerprints,
    decimate,
    find_crests,
    find_equal,
    find_loudest,
    find_prominent,
    measure_slices,
    running_medians,
)

__all__ = [
    "add_noise",
    "add_panned",
    "apply_gains",
    "average_lines",
    "burg_predictor",
    "choose_fingerprints",
    "compress",
    "decimate",
    "extrapolate",
    "find_crests",
    "find_equal",
    "find_extremes",
    "find_loudest",
    "find_prominent",
    "find_true_peak",
    "measure_slices",
    "pack_24",
    "round_samples",
    "run_one_section",
    "run_two_sections",
    "run_two_sections_of_four",
    "running_medians",
    "solve_predictors",
    "summarize_reduction",
    "unpack_24",
]
