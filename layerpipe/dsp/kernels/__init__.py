"""The loops in which every frame needs the one before: machine code by `dsp.kernels`, which says what a loop may do.

Each file holds all that its loops use, because the digest their code is kept under does not notice what changes
elsewhere. To add one: a function of arrays and numbers under `@kernel`, and its name here.
"""

from __future__ import annotations

from layerpipe.dsp.kernels.dynamics import compress, sum_up_reduction
from layerpipe.dsp.kernels.filters import run_one_section, run_two_sections, weight_four
from layerpipe.dsp.kernels.peaks import seek_peak
from layerpipe.dsp.kernels.prediction import burg_predictor, go_on, solve_predictors
from layerpipe.dsp.kernels.samples import (
    add_noise,
    add_panned,
    find_extremes,
    pack_24,
    round_samples,
    set_level,
    unpack_24,
)

__all__ = [
    "add_noise", "add_panned", "burg_predictor", "compress", "find_extremes", "go_on", "pack_24", "round_samples",
    "run_one_section", "run_two_sections", "seek_peak", "set_level", "solve_predictors", "sum_up_reduction",
    "unpack_24", "weight_four",
]
