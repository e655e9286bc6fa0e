"""Findings about one take: each fault with its place, size, what becomes of it, and what to do."""

from __future__ import annotations

import math

import numpy as np

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.defects.clicks.verdict import click_peak
from layerpipe.analysis.defects.dropouts import Repeat
from layerpipe.analysis.defects.noise_and_hum import judge_hum, judge_noise
from layerpipe.analysis.defects.pitch import tuning
from layerpipe.core.units import db_of_gain, db_of_power
from layerpipe.outputs.check.finding import Finding, Verdict
from layerpipe.outputs.check.kind_words import WORDS
from layerpipe.outputs.check.string_findings import high_pass_loss, wrong_strings

MORE_COMPRESSION_DB = 10.0
"""What a later, heavier compression may add: clicks, hum and noise are given at that level, too."""
MOST_DROPOUTS = 40
"""Reported; a take with more is broken anyhow."""
CLICK_BESIDE_DROPOUT_S = 0.05
"""A drop-out clicks at its edges; it is reported once."""
RUMBLE_OVER_BESIDE = 2.0
"""Power below 38 Hz over what its neighbourhood would give: less is hiss or a thump that reaches down there."""
LOUD_RUMBLE_DBFS = -30.0
"""Louder rumble takes the room of the music in any later stage (common practice, no source)."""
CONSTANT_PERCENTILES = (8, 92)
"""Of the means of all seconds; a knock or a cut at either end changes less than one second in twelve."""
SHORTEST_OFFSET_S = 1.0


def findings_of(take: CheckedTake) -> list[Finding]:
    """Everything wrong with one take by itself, in no particular order; empty if nothing is."""
    if take.is_silent:
        return [Finding("dropout", "the whole take is silent", "check cable, channel and file, then re-record",
                        "re-record", 0.0, db_of_gain(take.measured.peak))]
    return [*_clipping(take), *_clicks(take), *_rumble(take), *_hum(take), *_noise(take), *_dc_offset(take),
            *_dropouts(take), *_bit_depth(take), *_band_limit(take), *_tuning(take), *wrong_strings(take),
            *high_pass_loss(take)]


def _clipping(take: CheckedTake) -> list[Finding]:
    clip = take.clipping
    if clip is None:
        return []
    rate, count, limits = take.measured.rate_hz, len(clip.places), take.limits
    longest_ms = 1000 * clip.longest / rate
    verdict: Verdict = ("re-record" if count >= limits.clipped_peaks or longest_ms >= limits.clipping_ms else "review")
    level = db_of_gain(clip.ceiling)
    where = "at full scale" if level > -0.05 else f"at {level:.1f} dBFS, below full scale: clipped before it came here"
    places = [round(at / rate, 4) for at in clip.places]
    return [Finding(
        "clipping", f"{count} clipped peak{'s' if count > 1 else ''} {where}; the longest is {longest_ms:.2f} ms; the "
        f"first is at {take.place_of(places[0])}",
        "turn the input down by 6 dB and re-record; compression does not hide it", verdict, places[0], level, None,
        {"peaks": count, "longest_ms": longest_ms, "longest_samples": clip.longest, "places_s": places[:200],
         "equal_samples": clip.exact, "reason": clip.reason})]


def _clicks(take: CheckedTake) -> list[Finding]:
    dropouts_s = [dropout.place.start / take.measured.rate_hz for dropout in take.dropouts]
    clicks = [click for click in take.clicks
              if all(abs(click.at_s - at_s) > CLICK_BESIDE_DROPOUT_S for at_s in dropouts_s)]
    many = len(clicks) >= take.limits.clicks_rerecord
    found = []
    for click in clicks:
        level = db_of_gain(click_peak(take.sound, click))
        lift = take.lift_db(click.at_s)
        found.append(Finding(
            "click", f"click at {take.place_of(click.at_s)}, {level:.0f} dBFS; {_compressed(take, level, lift)}",
            "listen closely there at a moderate level; remove it, or re-record the passage",
            "re-record" if many else "review", click.at_s, level, None,
            {"over_local_db": click.over_db, "width_ms": 1000 * click.width_s, "compressed_db": level + lift,
             "compressed_10_db_more_db": level + lift + MORE_COMPRESSION_DB}))
    return found


def _compressed(take: CheckedTake, level: float, lift: float) -> str:
    """A level after the recipe's compression, and after more of it; a margin has a negative lift, or -0.0."""
    more = f"{level + lift + math.copysign(MORE_COMPRESSION_DB, lift):.0f} with {MORE_COMPRESSION_DB:.0f} dB"
    if take.chain.compressor is None:
        return f"{more} of compression"
    return f"{level + lift:.0f} after compression; {more} more compression"


def _rumble(take: CheckedTake) -> list[Finding]:
    powers, limits, loud = take.measured.low.rumble.astype(np.float64), take.limits, take.lufs
    if not len(powers) or loud is None:
        return []
    steady, beside = (float(np.percentile(part, 25)) for part in (powers, take.measured.low.beside_rumble))
    level = db_of_power(steady)
    if steady < RUMBLE_OVER_BESIDE * beside or level < max(limits.rumble_dbfs, loud - limits.rumble_under_lu):
        return []
    rest = level - take.filter_loss_db(take.filters, below_hz=40.0)
    left = f"{rest:.0f} dBFS after the recipe's high-passes" if len(take.filters) else "no high-pass removes it"
    heavy = rest > loud - limits.rumble_rerecord_under_lu and level > LOUD_RUMBLE_DBFS
    return [Finding("rumble", f"rumble below 40 Hz, {level:.0f} dBFS; {left}",
                    "find the source (air conditioning, traffic, feet); a high-pass at 40 Hz removes most of it",
                    "re-record" if heavy else "review", None, level, None, {"rest_dbfs": rest})]


def _hum(take: CheckedTake) -> list[Finding]:
    hum, loud, limits = take.hum, take.lufs, take.limits
    if hum is None or loud is None or not judge_hum(hum, loud, limits.hum_under_lu, limits.hum_dbfs).is_defect:
        return []
    lift = take.lift_db(None)
    lines = ", ".join(f"{line.hz:.0f} Hz {line.level_db:.0f}" for line in hum.lines[:5])
    verdict: Verdict = "re-record" if hum.level_db > loud - limits.hum_rerecord_under_lu else "review"
    mains = 50.0 if hum.mains_hz < 55 else 60.0
    return [Finding(
        "hum", f"mains hum of {mains:.0f} Hz in the gaps, {hum.level_db:.0f} dBFS ({lines}); "
        f"{_compressed(take, hum.level_db, lift)}",
        WORDS[take.kind.kind].hum, verdict, None, hum.level_db, mains,
        {"mains_hz": hum.mains_hz, "under_loudness_lu": loud - hum.level_db, "compressed_dbfs": hum.level_db + lift,
         "lines": [{"hz": line.hz, "level_db": line.level_db, "over_neighbours_db": line.over_db}
                   for line in hum.lines]})]


def _noise(take: CheckedTake) -> list[Finding]:
    noise, loud, limits = take.noise, take.lufs, take.limits
    if noise is None or loud is None or not judge_noise(noise, loud, limits.noise_under_lu).is_defect:
        return []
    under, lift = loud - noise.lufs, take.lift_db(None)
    return [Finding(
        "noise_floor", f"noise of {noise.level_db:.0f} dBFS in the gaps, {under:.0f} LU below the playing; "
        f"{_compressed(take, under, -lift)}", WORDS[take.kind.kind].noise,
        "re-record" if under < limits.noise_rerecord_under_lu else "review", None, noise.level_db, None,
        {"noise_lufs": noise.lufs, "under_loudness_lu": under, "compressed_under_lu": under - lift,
         "compressed_10_db_more_under_lu": under - lift - MORE_COMPRESSION_DB, "gaps_s": noise.seconds})]


def _dc_offset(take: CheckedTake) -> list[Finding]:
    if take.measured.seconds < SHORTEST_OFFSET_S:
        return []
    # The offset of a converter is constant, in pauses too; asymmetric strings have one only while they sound.
    low, high = (float(part) for part in np.percentile(take.measured.means, CONSTANT_PERCENTILES))
    offset = 0.0 if low * high <= 0 else min(low, high, key=abs)
    level = db_of_gain(offset)
    if level < take.limits.dc_dbfs:
        return []
    return [Finding("dc", f"DC offset of {offset:+.4f} ({level:.0f} dBFS): every edit clicks",
                    "any high-pass removes it; have the converter checked", level_db=level,
                    details={"offset": offset})]


def _dropouts(take: CheckedTake) -> list[Finding]:
    rate, found = take.measured.rate_hz, []
    for dropout in take.dropouts[:MOST_DROPOUTS]:
        place, evidence = dropout.place, dropout.evidence
        at_s, length_ms = place.start / rate, 1000 * place.length / rate
        details = {"length_ms": length_ms, "repeat": isinstance(place, Repeat), "reason": dropout.reason}
        if isinstance(place, Repeat):
            before_ms = 1000 * place.distance / rate
            details["distance_ms"] = before_ms
            text = (f"at {take.place_of(at_s)}, {length_ms:.1f} ms are the same as {before_ms:.1f} ms before: a buffer "
                    "was repeated")
        else:
            details["value"] = place.value
            what = "digital silence" if place.value == 0 else "one value is held"
            text = f"drop-out at {take.place_of(at_s)}: {what} for {length_ms:.1f} ms"
        found.append(Finding("dropout", text, "check buffer size and cables, then re-record the passage", "re-record",
                             at_s, db_of_gain(evidence.before), None, details))
    return found


def _bit_depth(take: CheckedTake) -> list[Finding]:
    used, facts = take.measured.bits_used, take.facts
    if facts is None or not used or (facts.bits is not None and facts.bits <= 16) or used > 16:
        return []
    claims = "float" if facts.bits is None else f"{facts.bits}-bit"
    return [Finding("bit_depth", f"{claims} file, only {used} bits used", "export it again from the session at its own "
                    "bit depth", details={"claims_bits": facts.bits, "bits_used": used})]


def _band_limit(take: CheckedTake) -> list[Finding]:
    limit, rate = take.band_limit, take.measured.rate_hz
    if limit is None:
        return []
    origin = (f"it was converted from {limit.likely_rate_hz} Hz" if limit.likely_rate_hz
              else "it was lossy-coded, or converted from a lower rate")
    return [Finding("band_limit", f"nothing above {limit.edge_hz / 1000:.1f} kHz in a file of {rate} Hz "
                    f"(falls by {limit.drop_db:.0f} dB there): {origin}", "use the original file", hz=limit.edge_hz,
                    details={"edge_hz": limit.edge_hz, "drop_db": limit.drop_db,
                             "likely_rate_hz": limit.likely_rate_hz, "claims_rate_hz": rate})]


def _tuning(take: CheckedTake) -> list[Finding]:
    known, limits, found = take.tuning, take.limits, []
    if known is None:
        return []
    details = {"cents": known.cents, "error_cents": known.error_cents, "agreement": known.agreement,
               "drift_cents": known.drift_cents}
    off = tuning.judge(known.cents, limits.tuning_cents)
    if off.is_defect:
        found.append(Finding("tuning", f"{off.reason} of A = {take.a4_hz:g} Hz",
                             "tune and re-record, or set a4_hz if the song is meant so", details=details))
    if known.drift_cents is not None and tuning.judge(known.drift_cents, limits.tuning_cents).is_defect:
        found.append(Finding("tuning", f"the tuning moves by {known.drift_cents:+.1f} cents from the first third to "
                             "the last", WORDS[take.kind.kind].tuning_moves, details=details))
    return found
