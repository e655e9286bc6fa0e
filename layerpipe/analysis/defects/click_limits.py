"""How far a place must stand out of what rings and of noise to be a click: the bounds, and why they lie there.

Found on clean takes and on planted clicks of our own making; no outside source. The bounds of single frames are those
of Gaussian noise, which passes 6 times its rms once in 5e8 frames.
"""

from __future__ import annotations

from layerpipe.analysis.defects.click_residual import WIDTHS, Lone

OVER, ALONE, LONG_ALONE = 0.95, 1.85, 2.1
FAINT_OVER, FAINT_ALONE, FAINT_SAMPLE_ALONE = 1.1, 2.9, 1.5
SAMPLE_OVER, SAMPLE_ALONE = 6.0, 1.4
BARELY_OVER, BARELY_SAMPLE_OVER, MID_ALONE = 1.25, 6.4, 0.5
"""What stands out less is taken for a click only if it does so above 150 Hz, too, as everything so short does in a
gap; strings that die away under the noise show such teeth twice an hour, deep in the rest of their sound."""
RINGS, RINGING_ALONE, RINGING_SAMPLE_OVER, RINGING_SAMPLE_ALONE = 4.0, 5.9, 7.3, 2.2
"""Where three quarters of the power can be foretold strings ring; a soft pick among loud ones stands alone as far as
that in four hours not once, clicks of 15 dB mostly do."""
CLEAR_DB, FAINTEST_DB = 12.5, 8.5
"""Peak over the rms around: clear, and what is less than a whim of noise or of a string, and hardly heard."""
CERTAIN_ALONE, CERTAIN_SAMPLE_OVER, CERTAIN_SAMPLE_ALONE, CERTAIN_FAINTEST_DB = 11.0, 13.5, 3.8, 5.5
"""Beside a loud tone near 3 kHz a tick peaks little, and is heard; nothing else leaves so much that is not foretold."""


def is_alone(lone: Lone, over_db: float, mid_alone: float) -> bool:
    """Whether chance and the strings around make nothing like it."""
    is_certain = (lone.alone > CERTAIN_ALONE and lone.sample_over > CERTAIN_SAMPLE_OVER
                  and lone.sample_alone > CERTAIN_SAMPLE_ALONE)
    if over_db < (CERTAIN_FAINTEST_DB if is_certain else FAINTEST_DB):
        return False
    if (lone.rings > RINGS and lone.alone < RINGING_ALONE
            and not (lone.sample_over > RINGING_SAMPLE_OVER and lone.sample_alone > RINGING_SAMPLE_ALONE)):
        return False
    if lone.over > FAINT_OVER and lone.alone > FAINT_ALONE and lone.sample_alone > FAINT_SAMPLE_ALONE:
        return True
    in_mid = mid_alone > MID_ALONE
    is_short = lone.stop - lone.start <= WIDTHS[1]
    if (lone.sample_over > (SAMPLE_OVER if in_mid and is_short else BARELY_SAMPLE_OVER)
            and lone.sample_alone > SAMPLE_ALONE):
        return True
    return (over_db > CLEAR_DB and lone.over > (OVER if in_mid else BARELY_OVER)
            and lone.alone > (ALONE if is_short else LONG_ALONE))
