"""What is always asked about a take by itself, asked at once: then takes are heard side by side until all is known."""

from __future__ import annotations

import numpy as np

from layerpipe.analysis.defects.pitch.tuning import tuning_of
from layerpipe.analysis.defects.repeats import find_repeats
from layerpipe.analysis.defects.single_pass import KeptSteps, measure_take
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import Float32Array, OnProgress, Sound


def hear_take(sound: Sound, a4_hz: float, *, on_progress: OnProgress = lambda seconds: None,
              ask: Ask = listen_anew) -> bool:
    """Ask for the measurements of a take, its tuning and its pasted parts, which are then known.

    Parameters
    ----------
    sound : Sound
    a4_hz : float
        Pitch of the A above middle C.
    on_progress : function of seconds
        Receives the seconds measured since its last call.
    ask : Ask, optional
        Who remembers the answers.

    Returns
    -------
    bool
        True.
    """
    powers: list[Float32Array] = []
    measured = ask(measure_take, sound, on_progress=on_progress, on_steps=lambda steps: powers.append(steps.mid_power))
    ask(tuning_of, measured.low, a4_hz)

    def power() -> Float32Array:
        if not powers:
            return KeptSteps(sound, measured, ask).mid_power
        whole = np.concatenate(powers)
        powers.clear()
        return whole

    ask(find_repeats, sound, power=power)
    return True
