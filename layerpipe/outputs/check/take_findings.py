"""What is wrong with one take, said in words: every finding with its place, size, what it becomes and what to do."""

from __future__ import annotations

import math

import numpy as np

from layerpipe.analysis.checked_take import TakeHeard
from layerpipe.core.units import db_of_gain
from layerpipe.outputs.check.finding import Finding, Verdict
from layerpipe.outputs.check.string_findings import eaten_by_corners, strings_of

MORE_COMPRESSION_DB = 10.0
MOST_TOLD = 40
FEWEST_TOPS = 3
RUMBLE_OVER = 2.0
STANDING_PERCENTILES = (8, 92)
"""Of the seconds' means; a knock or a cut at either end moves fewer than one second in twelve."""


def findings_of(take: TakeHeard) -> list[Finding]:
    """Everything wrong with one take by itself.

    Parameters
    ----------
    take : TakeHeard

    Returns
    -------
    list of Finding
        In no particular order; empty for a fine take.
    """
    if take.is_silent:
        return [Finding("dropout", "nothing is heard: the whole take is silent", "check cable, channel and file, and "
                        "record it again", "record again", 0.0, db_of_gain(take.heard.peak))]
    return [*_clipping(take), *_clicks(take), *_rumble(take), *_hum(take), *_noise(take), *_dc(take), *_dropouts(take),
            *_depth(take), *_band(take), *_tuning(take), *strings_of(take), *eaten_by_corners(take)]


def _clipping(take: TakeHeard) -> list[Finding]:
    clip = take.clipping
    if clip is None:
        return []
    rate = take.heard.rate_hz
    longest_ms = 1000 * clip.longest / rate
    hits, limits = len(clip.places), take.limits
    verdict: Verdict = "record again" if hits >= limits.clipped_peaks or longest_ms >= limits.clipping_ms else "look"
    level = db_of_gain(clip.ceiling)
    where = "at full scale" if level > -0.05 else f"at {level:.1f} dBFS, below full scale: clipped before it came here"
    places = [round(at / rate, 4) for at in clip.places]
    return [Finding(
        "clipping", f"{hits} flat top{'s' if hits > 1 else ''} {where}; the longest is {longest_ms:.2f} ms; the first "
        f"at {take.place_of(places[0])}", "turn the input down by 6 dB and play it again; compression will not hide it",
        verdict, places[0], level, None,
        {"hits": hits, "longest_ms": longest_ms, "longest_frames": clip.longest, "places_s": places[:200],
         "equal_samples": clip.exact})]


def _clicks(take: TakeHeard) -> list[Finding]:
    found = take.clicks
    # Where the sound drops out it clicks, too; that is told once.
    broken = [finding.at_s for finding in _dropouts(take) if finding.at_s is not None]
    found = [click for click in found if all(abs(click.at_s - at_s) > 0.05 for at_s in broken)]
    many = len(found) >= take.limits.clicks_rerecord
    told = []
    for click in found:
        now = db_of_gain(take.level_of(click))
        lift = take.lift_db(click.at_s)
        told.append(Finding(
            "click", f"click at {take.place_of(click.at_s)}, {now:.0f} dBFS now, "
            f"{_compressed(take, now, lift)}",
            "listen there with the level up; cut it out, or play the place again", "record again" if many else "look",
            click.at_s, now, None,
            {"over_local_db": click.over_db, "width_ms": 1000 * click.width_s, "compressed_db": now + lift,
             "compressed_10_db_more_db": now + lift + MORE_COMPRESSION_DB}))
    return told


def _compressed(take: TakeHeard, now: float, lift: float) -> str:
    """What becomes of a number that moves by `lift` in the recipe's compressor, there and after more of it.

    A margin moves down: its lift is negative, or -0.0.
    """
    more = f"{now + lift + math.copysign(MORE_COMPRESSION_DB, lift):.0f} after {MORE_COMPRESSION_DB:.0f} dB"
    if take.chain.compressor is None:
        return f"{more} of compression"
    return f"{now + lift:.0f} after the recipe's compression and {more} more of it"


def _rumble(take: TakeHeard) -> list[Finding]:
    powers = take.heard.low.rumble.astype(np.float64)
    if not len(powers):
        return []
    steady, beside = (float(np.percentile(part, 25)) for part in (powers, take.heard.low.beside_rumble))
    level = 10 * math.log10(steady + 1e-20)
    if steady < RUMBLE_OVER * beside:
        return []  # hiss or a thump that reaches down there, and no more
    loud = take.lufs
    if level < take.limits.rumble_dbfs or loud is None or level < loud - take.limits.rumble_under_lu:
        return []
    rest = level - take.filter_loss_db(take.filters, below_hz=40.0)
    left = f"{rest:.0f} dBFS of it are left by the recipe's high-passes" if len(take.filters) else \
        "no high-pass takes it away"
    heavy = rest > loud - take.limits.rumble_rerecord_under_lu
    return [Finding("rumble", f"rumble below 40 Hz of {level:.0f} dBFS; {left}",
                    "find the air, traffic or feet that make it; a high-pass at 40 Hz takes most of it",
                    "record again" if heavy and level > -30 else "look", None, level, None, {"rest_dbfs": rest})]


def _hum(take: TakeHeard) -> list[Finding]:
    hum, loud = take.hum, take.lufs
    if hum is None or loud is None or hum.level_db < max(loud - take.limits.hum_under_lu, take.limits.hum_dbfs):
        return []
    lift = take.lift_db(None)
    lines = ", ".join(f"{hz:.0f} Hz {level:.0f}" for hz, level, _ in hum.lines[:5])
    verdict: Verdict = "record again" if hum.level_db > loud - take.limits.hum_rerecord_under_lu else "look"
    mains = 50.0 if hum.mains_hz < 55 else 60.0
    return [Finding(
        "hum", f"mains hum of {mains:.0f} Hz in the gaps, {hum.level_db:.0f} dBFS ({lines}); "
        f"{_compressed(take, hum.level_db, lift)}", "turn the player until it is least, try another socket or cable",
        verdict, None, hum.level_db, mains,
        {"mains_hz": hum.mains_hz, "under_loudness_lu": loud - hum.level_db, "compressed_dbfs": hum.level_db + lift,
         "lines": [{"hz": hz, "level_db": level, "over_neighbours_db": over} for hz, level, over in hum.lines]})]


def _noise(take: TakeHeard) -> list[Finding]:
    noise, loud = take.noise, take.lufs
    if noise is None or loud is None or not math.isfinite(loud):
        return []
    under = loud - noise.lufs
    if under > take.limits.noise_under_lu:
        return []
    lift = take.lift_db(None)
    return [Finding(
        "noise_floor", f"noise of {noise.level_db:.0f} dBFS in the gaps, {under:.0f} LU under the playing; "
        f"{_compressed(take, under, -lift)}",
        "more level from the player, the microphone closer, fans off",
        "record again" if under < take.limits.noise_rerecord_under_lu else "look", None, noise.level_db, None,
        {"noise_lufs": noise.lufs, "under_loudness_lu": under, "compressed_under_lu": under - lift,
         "compressed_10_db_more_under_lu": under - lift - MORE_COMPRESSION_DB, "gaps_s": noise.seconds})]


def _dc(take: TakeHeard) -> list[Finding]:
    if take.heard.seconds < 1.0:
        return []
    # A converter's offset stands still, in pauses too; lopsided strings lean only while they sound.
    low, high = (float(part) for part in np.percentile(take.heard.means, STANDING_PERCENTILES))
    offset = 0.0 if low * high <= 0 else min(low, high, key=abs)
    level = db_of_gain(offset)
    if level < take.limits.dc_dbfs:
        return []
    return [Finding("dc", f"the wave stands off its middle by {offset:+.4f} ({level:.0f} dBFS): clicks at every cut",
                    "any high-pass takes it away; have the converter looked at", "look", None, level, None,
                    {"offset": offset})]


def _dropouts(take: TakeHeard) -> list[Finding]:
    heard = take.heard
    rate = heard.rate_hz
    shortest = max(12, round(take.limits.dropout_ms * rate / 1000))
    told = []
    for run in heard.runs:
        if run.length < shortest or run.start == 0 or run.start + run.length >= heard.frames:
            continue
        if abs(run.value) > 0.02 and run.length < 0.02 * rate and _is_a_top(run.value, take):
            continue  # told as clipping
        lost = run.before_rms > 1e-4 or run.value != 0.0
        after = float(np.sqrt(np.mean(take.sound.read(run.start + run.length,
                                                      min(run.start + run.length + rate // 200, heard.frames)) ** 2)))
        if not lost and after < 1e-4:
            continue  # faded to silence and in again: an edit, or a sound that was over
        if run.value != 0.0 and run.before_rms < 1e-4 and after < 1e-4:
            continue  # the last bit of a 16-bit file stands still in near silence
        length_ms = 1000 * run.length / rate
        what = "digital silence" if run.value == 0 else "one value is held"
        told.append(Finding(
            "dropout", f"drop-out at {take.place_of(run.start / rate)}: {what} for {length_ms:.1f} ms",
            "look at the buffer and the cable, and play the place again", "record again", run.start / rate,
            db_of_gain(run.before_rms), None, {"length_ms": length_ms, "value": run.value, "repeat": False}))
    for repeat in heard.repeats:
        length_ms = 1000 * repeat.length / rate
        told.append(Finding(
            "dropout", f"at {take.place_of(repeat.start / rate)} the {length_ms:.1f} ms from "
            f"{1000 * repeat.distance / rate:.1f} ms earlier are heard again: a buffer was repeated",
            "look at the buffer and the cable, and play the place again", "record again", repeat.start / rate, None,
            None, {"length_ms": length_ms, "distance_ms": 1000 * repeat.distance / rate, "repeat": True}))
    return told[:MOST_TOLD]


def _is_a_top(value: float, take: TakeHeard) -> bool:
    """Whether samples that stand still are a clipped top: the highest of the take, or one of several that high."""
    peak = take.heard.peak
    if abs(value) > 0.9 * peak:
        return True
    alike = sum(abs(abs(run.value) - abs(value)) < 1e-4 * peak for run in take.heard.runs)
    return abs(value) > 0.5 * peak and alike >= FEWEST_TOPS


def _depth(take: TakeHeard) -> list[Finding]:
    used, facts = take.heard.bits_used, take.facts
    if facts is None or not used or (facts.bits is not None and facts.bits <= 16) or used > 16:
        return []
    claims = "float" if facts.bits is None else f"{facts.bits} bit"
    return [Finding("bit_depth", f"the file is {claims}, but only {used} bits are ever used",
                    "export it again from the session at its own depth", "look", None, None, None,
                    {"claims_bits": facts.bits, "bits_used": used})]


def _band(take: TakeHeard) -> list[Finding]:
    limit = take.band_limit
    if limit is None:
        return []
    rate = take.heard.rate_hz
    was = (f"it was converted from {limit.likely_rate_hz} Hz" if limit.likely_rate_hz
           else "it was lossy-coded, or converted from a lower rate")
    return [Finding("band_limit", f"nothing above {limit.edge_hz / 1000:.1f} kHz in a file of {rate} Hz "
                    f"(falls by {limit.drop_db:.0f} dB there): {was}", "find the first-generation file", "look", None,
                    None, limit.edge_hz, {"edge_hz": limit.edge_hz, "drop_db": limit.drop_db,
                                          "likely_rate_hz": limit.likely_rate_hz, "claims_rate_hz": rate})]


def _tuning(take: TakeHeard) -> list[Finding]:
    tuning, limits = take.tuning, take.limits
    if tuning is None:
        return []
    told = []
    numbers = {"cents": tuning.cents, "error_cents": tuning.error_cents, "agreement": tuning.agreement,
               "drift_cents": tuning.drift_cents}
    if abs(tuning.cents) > limits.tuning_cents:
        way = "sharp" if tuning.cents > 0 else "flat"
        told.append(Finding(
            "tuning", f"{abs(tuning.cents):.1f} cents {way} of A = {take.a4_hz:g} Hz", "tune and play again, or set "
            "a4_hz if the song is meant so", "look", None, None, None, numbers))
    if tuning.drift_cents is not None and abs(tuning.drift_cents) > limits.tuning_cents:
        told.append(Finding(
            "tuning", f"the tuning moves by {tuning.drift_cents:+.1f} cents from the first third to the last",
            "let the strings settle, tune, and play again", "look", None, None, None, numbers))
    return told
