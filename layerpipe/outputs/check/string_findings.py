"""Findings about the strings of a take: whether they are the layer's, and what the high-passes cost."""

from __future__ import annotations

from typing import Any

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.defects.pitch.lowest_notes import hz_of, judge, name_of, number_of
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.filters import response_db
from layerpipe.outputs.check.finding import Finding
from layerpipe.recipe.model.recipe import Chain
from layerpipe.render.chain import design

STRINGS_CAUTION = ("Other string gauges change the tension on neck and bridge: stay within the maker's limits; ask a "
                   "qualified technician.")
MOST_NAMED = 5
"""Notes in a message."""


def wrong_strings(take: CheckedTake) -> list[Finding]:
    """Whether the lowest notes played are those of the layer's strings; nothing if they are."""
    notes = take.low_notes
    if notes is None or not take.strings:
        return []
    lowest = min(number_of(name) for name in take.strings)
    if not judge(notes, lowest, take.limits.wrong_strings_share).is_defect:
        return []
    below = [name_of(number) for number in sorted(notes.shares) if number < lowest]
    text = (f"{', '.join(below[:MOST_NAMED])} played, below the lowest string {name_of(lowest)}: not the layer's "
            "strings (is a low string still at normal pitch?)" if below else
            f"nothing below {name_of(notes.lowest)} played, an octave or more above the lowest string "
            f"{name_of(lowest)}")
    details = {"lowest_played": name_of(notes.lowest), "lowest_string": name_of(lowest), "windows": notes.windows,
               "shares": {name_of(number): round(share, 3) for number, share in sorted(notes.shares.items())[:12]}}
    return [Finding("strings", text, f"check which strings are on, and which take this is. {STRINGS_CAUTION}",
                    hz=hz_of(notes.lowest, take.a4_hz), details=details)]


def high_pass_loss(take: CheckedTake) -> list[Finding]:
    """Whether the recipe's high-passes cost the instrument too much; nothing if they do not."""
    corners = corners_of(take)
    if not corners:
        return []
    string_loss, lost = corners["lowest_string_loss_db"], corners["loudness_loss_lu"]
    limits = take.limits
    if (string_loss is None or string_loss <= limits.high_pass_loss_db) and lost <= limits.high_pass_loss_lu:
        return []
    text = f"the high-passes cost {lost:.1f} LU"
    if string_loss is not None:
        text += f" and {string_loss:.1f} dB of the fundamental of {corners['lowest_string']}"
    harmless = corners["highest_harmless_hz"]
    return [Finding("high_pass", text, f"a single corner of {harmless:.0f} Hz would cost less than 0.5 dB" if harmless
                    else "lower the corners", details=corners)]


def corners_of(take: CheckedTake) -> dict[str, Any] | None:
    """What the high-passes cost, each and together, and the highest corner that costs less than 0.5 dB."""
    if not take.chain.high_pass or take.is_silent:
        return None
    rate = take.measured.rate_hz
    # A string that is never played loses nothing: the lowest note played counts, if it is known.
    played = [take.low_notes.lowest] if take.low_notes is not None else []
    lows = [min(number_of(name) for name in take.strings)] if take.strings else []
    number = max(played + lows, default=None)
    hz = None if number is None else hz_of(number, take.a4_hz)

    def loss(sections: FloatArray) -> float | None:
        return None if hz is None else -float(response_db(sections, [hz], rate)[0])

    each: list[dict[str, float | None]] = []
    for one in take.chain.high_pass:
        if one.hz < rate / 2:
            rows = design(Chain(high_pass=[one]), rate).sections
            each.append({"hz": one.hz, "lowest_string_loss_db": loss(rows),
                         "loudness_loss_lu": take.filter_loss_db(rows)})
    return {
        "lowest_string": None if number is None else name_of(number),
        "lowest_string_loss_db": loss(take.filters), "loudness_loss_lu": take.filter_loss_db(take.filters),
        # A 12 dB Butterworth corner costs 10 log10(1 + (corner / f)^4): 0.5 dB at 0.591 of the frequency.
        "highest_harmless_hz": None if hz is None else hz * (10**0.05 - 1) ** 0.25, "each": each,
    }
