"""A take under check: its file, its sound, what one pass heard of it, and the recipe's wishes for it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from layerpipe.analysis.defects.band_limit import BandLimit, find_band_limit
from layerpipe.analysis.defects.clicks import Candidate
from layerpipe.analysis.defects.clipping import Clipping, find_clipping
from layerpipe.analysis.defects.lowest_notes import LowNotes, lowest_notes
from layerpipe.analysis.defects.noise_and_hum import Hum, Noise, find_gaps, hear_gaps
from layerpipe.analysis.defects.single_pass import Heard
from layerpipe.analysis.defects.tuning import Tuning, tuning_of
from layerpipe.analysis.onsets.detect import find_onsets
from layerpipe.audio_files.info import FileFacts
from layerpipe.core.sound import ArraySound, Float32Array, FloatArray, Sound
from layerpipe.dsp.dynamics import reduction_db
from layerpipe.dsp.filters import response_db
from layerpipe.dsp.loudness import HOP_STEPS, MOMENTARY_STEPS, integrated, k_weighting, powers, step_starts
from layerpipe.recipe.model import Chain, Check
from layerpipe.render.chain import design

SOUNDING_DB = -20.0
"""The first and the last sound are those within 20 dB of the loud ones."""
LOUD_PERCENTILE = 95
ALONE = 1.5
MOST_HEARD_AGAIN = 100
NO_STRUM_ALONE, NO_STRUM_OVER_DB = 12.0, 20.0
"""Of 70 minutes of strums, arpeggios and lines no pick stood more than 7 times over what lies within 50 ms; of soft
strokes on a dull instrument with a hard pick two in 27 minutes did, none so loud."""
STRUM_CONTEXT_S, STRUM_BEFORE_S, STRUM_AFTER_S = 1.5, 0.045, 0.02
"""A strum's strings follow each other for up to 45 ms; a pick touches up to 20 ms before."""
LEAST_STRUM_SURE = 0.65
"""Of soft strums taken for clicks the least sure was 0.70, of clicks that seemed strums the surest 0.60."""
CLICK_ALONE, LEAST_SURE_ALONE = 9.0, 0.92
"""What stands so far alone must be as sure a strum as this: soft picks that did were 0.95 sure and more."""
GAP_EDGE_S, SILENCE_DB = 0.05, -140.0


@dataclass(frozen=True)
class TakeHeard:
    """Everything known of one take while it is checked."""

    layer: str
    name: str
    file: Path
    facts: FileFacts | None
    channel: int | None
    sound: Sound
    heard: Heard
    chain: Chain
    strings: tuple[str, ...]
    gain_db: float
    a4_hz: float
    limits: Check
    place_of: Callable[[float], str]

    @property
    def title(self) -> str:
        """How the take is called in tables."""
        return f"{self.layer} {self.name}".strip()

    @cached_property
    def lufs(self) -> float | None:
        """Integrated loudness; None if too short, -inf if silent."""
        energy = self.heard.steps.k_energy
        frames = np.diff(step_starts(0, HOP_STEPS * len(energy), self.heard.rate_hz)[::HOP_STEPS])
        return integrated(powers(energy, frames, MOMENTARY_STEPS // HOP_STEPS, 1))

    @cached_property
    def is_silent(self) -> bool:
        """Whether there is not a single sample but zero, or nothing above -100 dBFS."""
        return self.heard.peak < 1e-5

    @cached_property
    def gaps(self) -> list[tuple[int, int]]:
        """Note-free spans in frames."""
        return find_gaps(self.heard)

    @cached_property
    def _quiet(self) -> tuple[Noise | None, Hum | None]:
        return hear_gaps(self.sound, self.gaps)

    @property
    def noise(self) -> Noise | None:
        """The floor in the gaps; None where there are none."""
        return self._quiet[0]

    @property
    def hum(self) -> Hum | None:
        """Hum in the gaps."""
        return self._quiet[1]

    @cached_property
    def clicks(self) -> list[Candidate]:
        """Clicks, those left out that turn out to be strums; only the surroundings of suspects are heard again."""
        suspects = self.heard.clicks
        if len(suspects) > MOST_HEARD_AGAIN:
            return suspects
        return [click for click in suspects if (click.alone > NO_STRUM_ALONE and click.over_db > NO_STRUM_OVER_DB)
                or self._is_in_a_gap(click) or not self._is_strum(click)]

    def level_of(self, click: Candidate) -> float:
        """Peak of a click, linear: as it stands in the file where it stands alone, else what it has above 3 kHz."""
        rate = self.heard.rate_hz
        at = round(click.at_s * rate)
        start = max(at - rate // 40, 0)
        around = self.sound.read(start, min(at + rate // 250, self.heard.frames))
        before, near = around[: at - rate // 500 - start], around[max(at - rate // 1000 - start, 0) :]
        if len(before) < rate // 200:
            return click.peak
        middle = float(np.median(before))
        peak = float(np.abs(near - middle).max())
        return peak if peak > ALONE * float(np.abs(before - middle).max()) else click.peak

    def _is_in_a_gap(self, click: Candidate) -> bool:
        """Whether nothing sounds after it: a strum rings on."""
        at = click.at_s * self.heard.rate_hz
        edge = GAP_EDGE_S * self.heard.rate_hz
        return any(start <= at < stop - edge for start, stop in self.gaps)

    def _is_strum(self, click: Candidate) -> bool:
        """Whether something begins here that could not be foretold and stays: told by the ear for strums."""
        rate, at_s = self.heard.rate_hz, click.at_s
        start = max(round((at_s - STRUM_CONTEXT_S) * rate), 0)
        stop = min(round((at_s + STRUM_CONTEXT_S / 2) * rate), self.heard.frames)
        # The softest moment of so short a piece may be music.
        floor_db = self.noise.level_db if self.noise is not None else SILENCE_DB
        onsets = find_onsets(ArraySound(self.sound.read(start, stop), rate), floor_db)
        return any(-STRUM_BEFORE_S < onset.at_s + start / rate - at_s < STRUM_AFTER_S for onset in onsets
                   if onset.confidence > (LEAST_SURE_ALONE if click.alone > CLICK_ALONE else LEAST_STRUM_SURE))

    @cached_property
    def clipping(self) -> Clipping | None:
        """Flat tops."""
        return find_clipping(self.sound, self.heard)

    @cached_property
    def band_limit(self) -> BandLimit | None:
        """A hard upper end of the spectrum."""
        return find_band_limit(self.heard)

    @cached_property
    def tuning(self) -> Tuning | None:
        """Cents against equal temperament."""
        return tuning_of(self.heard.low, self.a4_hz)

    @cached_property
    def low_notes(self) -> LowNotes | None:
        """The lowest notes heard."""
        if self.tuning is None:
            return None
        lines = [line[0] for line in self.hum.lines] if self.hum else []
        return lowest_notes(self.heard.low, self.a4_hz, self.tuning.cents, lines)

    @cached_property
    def _peaks_db(self) -> Float32Array:
        """Peak of every 10 ms, dBFS."""
        steps = self.heard.steps
        level: Float32Array = 20 * np.log10(np.maximum(steps.highest, -steps.lowest) + np.float32(1e-12))
        return level

    @cached_property
    def span_s(self) -> tuple[float, float] | None:
        """First and last moment of the playing, in seconds; None in a silent take."""
        power = self.heard.steps.mid_power
        if self.is_silent or not len(power):
            return None
        loud = np.flatnonzero(power > np.percentile(power, LOUD_PERCENTILE) * 10 ** (SOUNDING_DB / 10))
        return float(loud[0]) / 100, float(loud[-1] + 1) / 100

    @cached_property
    def filters(self) -> FloatArray:
        """The recipe's high-passes as sections."""
        rate = self.heard.rate_hz
        kept = [one for one in self.chain.high_pass if one.hz < rate / 2]
        return design(Chain(high_pass=kept), rate).sections

    @cached_property
    def density(self) -> tuple[FloatArray, FloatArray]:
        """Hz and mean power density, fine below 1.4 kHz."""
        heard = self.heard
        upper = heard.spectrum_hz > heard.low.spectrum_hz[-1]
        return (np.concatenate([heard.low.spectrum_hz, heard.spectrum_hz[upper]]),
                np.concatenate([heard.low.spectrum, heard.spectrum[upper]]))

    def filter_loss_db(self, sections: FloatArray, *, below_hz: float | None = None) -> float:
        """What a filter takes off the take: of its loudness, or of what lies below a frequency, in dB (0 or above)."""
        hz, density = self.density
        inside = (hz > 4.0) & (hz < (below_hz or math.inf))
        hz, density = hz[inside], density[inside]
        width = np.gradient(hz) if len(hz) > 1 else np.ones(len(hz))
        power = density * width
        if below_hz is None:
            power = power * 10 ** (response_db(k_weighting(self.heard.rate_hz), hz, self.heard.rate_hz) / 10)
        passed = power * 10 ** (response_db(sections, hz, self.heard.rate_hz) / 10) if len(sections) else power
        return 10 * math.log10(power.sum() / passed.sum()) if power.sum() > 0 and passed.sum() > 0 else 0.0

    def lift_db(self, at_s: float | None) -> float:
        """How much a place comes up against the loud hits in the recipe's compressor, at equal loudness."""
        asked = self.chain.compressor
        if asked is None or self.is_silent:
            return 0.0
        peaks = self._peaks_db
        hits = float(np.percentile(peaks, 99))
        if asked.threshold_db is not None:
            threshold, at_hits = asked.threshold_db, None
        else:
            assert asked.hits_db is not None
            at_hits = asked.hits_db
            threshold = hits - at_hits / max(1 - 1 / asked.ratio, 1e-3)

        def reduced(level_db: float) -> float:
            return float(reduction_db(np.array([level_db]), threshold_db=threshold, ratio=asked.ratio,
                                      knee_db=asked.knee_db)[0])

        here = -120.0 if at_s is None else float(peaks[min(int(at_s * 100), len(peaks) - 1)])
        return max((reduced(hits) if at_hits is None else at_hits) - reduced(here), 0.0)
