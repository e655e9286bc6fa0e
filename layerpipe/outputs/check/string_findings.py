"""The strings of a take: whether they are the layer's, and what the recipe's high-passes leave of the lowest."""

from __future__ import annotations

from typing import Any

from layerpipe.analysis.checked_take import TakeHeard
from layerpipe.analysis.defects.lowest_notes import hz_of, name_of, number_of
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.filters import response_db
from layerpipe.outputs.check.finding import Finding
from layerpipe.recipe.model import Chain
from layerpipe.render.chain import design

STRINGS_CAUTION = ("Other strings than the maker chose change the pull on neck and bridge: stay inside the maker's "
                   "limits, and ask a qualified technician.")


def strings_of(take: TakeHeard) -> list[Finding]:
    """Whether the lowest notes heard are those of the layer's strings; nothing where they are.

    Parameters
    ----------
    take : TakeHeard
    """
    notes = take.low_notes
    if notes is None or not take.strings:
        return []
    lowest = min(number_of(name) for name in take.strings)
    under = [number for number in notes.shares if number < lowest]
    numbers = {"lowest_heard": name_of(notes.lowest), "lowest_string": name_of(lowest), "windows": notes.windows,
               "shares": {name_of(number): round(share, 3) for number, share in sorted(notes.shares.items())[:12]}}
    if under and sum(notes.shares[number] for number in under) > take.limits.wrong_strings_share:
        heard = ", ".join(name_of(number) for number in sorted(under)[:5])
        return [Finding("strings", f"{heard} heard, below the lowest string {name_of(lowest)}: not the layer's strings "
                        "(a low string is not an octave up?)", f"check which strings are on, and which take this is. "
                        f"{STRINGS_CAUTION}", "look", None, None, hz_of(notes.lowest, take.a4_hz), numbers)]
    if lowest + 12 <= notes.lowest <= lowest + 15 and notes.windows >= 40 and notes.implied is None:
        return [Finding("strings", f"nothing below {name_of(notes.lowest)} heard, an octave and more above the lowest "
                        f"string {name_of(lowest)}", f"check which strings are on, and which take this is. "
                        f"{STRINGS_CAUTION}", "look", None, None, hz_of(notes.lowest, take.a4_hz), numbers)]
    return []


def eaten_by_corners(take: TakeHeard) -> list[Finding]:
    """Whether the high-passes eat the instrument; nothing where they do not.

    Parameters
    ----------
    take : TakeHeard
    """
    corners = corners_of(take)
    if not corners:
        return []
    eaten, lost = corners["lowest_string_loss_db"], corners["loudness_loss_lu"]
    limits = take.limits
    if (eaten is None or eaten <= limits.high_pass_loss_db) and lost <= limits.high_pass_loss_lu:
        return []
    text = f"the high-passes take {lost:.1f} LU off the take"
    if eaten is not None:
        text += f" and {eaten:.1f} dB off the fundamental of {corners['lowest_string']}"
    return [Finding("high_pass", text,
                    f"a single corner of {corners['highest_harmless_hz']:.0f} Hz would cost under 0.5 dB"
                    if corners["highest_harmless_hz"] else "lower the corners", "look", None, None, None, corners)]


def corners_of(take: TakeHeard) -> dict[str, Any] | None:
    """What the high-passes cost, each and all together, and the highest corner that costs under 0.5 dB."""
    if not take.chain.high_pass or take.is_silent:
        return None
    rate = take.heard.rate_hz
    # A string that is never played loses nothing: the lowest note heard counts, where one is.
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
