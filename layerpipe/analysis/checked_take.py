"""A take being checked: its file, its sound, the measurements of one pass, and the recipe's settings for it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from layerpipe.analysis.defects.band_limit import BandLimit, find_band_limit
from layerpipe.analysis.defects.clicks.verdict import ClickEvidence, ClickLimits, judge
from layerpipe.analysis.defects.clipping import Clipping, find_clipping
from layerpipe.analysis.defects.dropouts import Dropout, find_dropouts
from layerpipe.analysis.defects.levels.figures import LevelFigures, level_figures, peaks_db
from layerpipe.analysis.defects.noise_and_hum import Hum, Noise, find_gaps, measure_gaps
from layerpipe.analysis.defects.pitch.lowest_notes import LowNotes, lowest_notes
from layerpipe.analysis.defects.pitch.tuning import Tuning, tuning_of, unwrap_cents
from layerpipe.analysis.defects.single_pass import KeptSteps, Measurements
from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.sustained.kinds import UNHEARD, HeardKind
from layerpipe.audio_files.info import FileFacts
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.dynamics.compressor import reduction_db
from layerpipe.dsp.filters import response_db
from layerpipe.dsp.loudness.k_weighting import k_weighting
from layerpipe.recipe.model.recipe import Chain, Check
from layerpipe.render.chain import design
from layerpipe.render.takes.placing import Place, PlacedSound


@dataclass(frozen=True)
class PlayingLimits:
    """How clicks are read again, and what counts as silence."""

    silent: float = 1e-5
    """Linear (-100 dBFS); below it nothing can be measured."""
    most_read_again: int = 100
    """Suspects; more are reported as they are, for speed."""
    context_s: float = 1.5
    """Before a suspect, and half of it after: what the onset detector needs to know the level around."""
    onset_before_s: float = 0.045
    onset_after_s: float = 0.02
    """The strings of a strum follow each other for up to 45 ms; a pick touches the string up to 20 ms before."""
    gap_edge_s: float = 0.05
    """A click so near to the end of a gap may be the pick of the next strum."""
    silence_db: float = -140.0
    """Assumed noise floor of a take without gaps: the softest moment of so short a piece may be music."""
    beside_talk_s: float = 0.05
    """A smack of the lips before or after a word belongs to it."""
    beside_tick_s: float = 0.01
    """A click so near to a metronome's tick is the tick."""
    lowest_hz: float = 4.0
    """What the filters take off is counted from here on; below is the leakage of the window."""
    bright_hz: tuple[float, float] = (2000.0, 8000.0)
    body_hz: tuple[float, float] = (150.0, 1500.0)
    """Bands whose levels are compared as brightness; the README names them."""


_PLAYING = PlayingLimits()


@dataclass(frozen=True)
class CheckedTake:
    """Everything known of one take while it is checked; measured when first asked for."""

    layer: str
    name: str
    file: Path
    facts: FileFacts | None
    channel: int | None
    sound: Sound
    measured: Measurements
    chain: Chain
    strings: tuple[str, ...]
    gain_db: float
    a4_hz: float
    limits: Check
    place_of: Callable[[float], str]
    starts_s: float = 0.0
    """Seconds of the song at which the sound begins."""
    invert_polarity: bool = False
    bar_one_s: float | None = None
    """Seconds of the sound at which bar 1 begins; None where the song has no tempo."""
    ask: Ask = listen_anew
    """Who listens."""
    kind: HeardKind = UNHEARD
    tuned_beside: float | None = None
    """Tuning of the song in cents, if known: that of a take is only known to 100 cents and is read next to it."""

    @property
    def title(self) -> str:
        """Layer and name, as tables show them."""
        return f"{self.layer} / {self.name}" if self.layer else self.name

    @property
    def steps(self) -> KeptSteps:
        """Measured every 10 ms."""
        return KeptSteps(self.sound, self.measured, self.ask)

    @cached_property
    def k_energy(self) -> FloatArray:
        """K-weighted energy of every 100 ms."""
        return self.steps.k_energy

    @cached_property
    def _level(self) -> LevelFigures:
        return self.ask(level_figures, self.sound, self.bar_one_s, steps=self.steps)

    @property
    def lufs(self) -> float | None:
        """Integrated loudness; None if too short, -inf if silent."""
        return self._level.lufs

    @cached_property
    def is_silent(self) -> bool:
        """Whether nothing is above -100 dBFS."""
        return self.measured.peak < _PLAYING.silent

    @cached_property
    def gaps(self) -> list[tuple[int, int]]:
        """Spans of samples in which nothing is played."""
        return self.ask(find_gaps, self.sound, steps=self.steps)

    @cached_property
    def _quiet(self) -> tuple[Noise | None, Hum | None]:
        return self.ask(measure_gaps, self.sound, self.gaps)

    @property
    def noise(self) -> Noise | None:
        """Noise in the gaps; None if there are no gaps."""
        return self._quiet[0]

    @property
    def hum(self) -> Hum | None:
        """Mains hum in the gaps."""
        return self._quiet[1]

    @property
    def heard(self) -> Detection:
        """Onsets, and a metronome if one is in the take; of a long take too many to be held."""
        return Detection.of([]) if self.is_silent else self.ask(detect_onsets, self.sound)

    @property
    def talk_s(self) -> list[tuple[float, float]]:
        """Talking or a count-in before bar 1."""
        return self._level.talk_s

    def is_talk(self, at_s: float) -> bool:
        """Whether a moment is in what is spoken before bar 1, or beside it."""
        return any(start - _PLAYING.beside_talk_s < at_s < stop + _PLAYING.beside_talk_s for start, stop in self.talk_s)

    @cached_property
    def clicks(self) -> list[ClickEvidence]:
        """Clicks; the surroundings of suspects are read again to tell them from soft strums."""
        suspects, limits = [one for one in self.measured.clicks if not self.is_talk(one.at_s)], ClickLimits()
        if suspects and (metronome := self.heard.metronome) is not None:
            suspects = [one for one in suspects if not metronome.is_tick(one.at_s, _PLAYING.beside_tick_s)]
        if len(suspects) > _PLAYING.most_read_again:
            return suspects
        found = []
        for suspect in suspects:
            evidence = replace(suspect, in_a_gap=self._is_in_a_gap(suspect.at_s))
            verdict = judge(evidence, limits)
            if verdict.is_defect is None:
                evidence = replace(evidence, onset_confidence=self._onset_confidence(suspect.at_s))
                verdict = judge(evidence, limits)
            if verdict.is_defect:
                found.append(evidence)
        return found

    def _is_in_a_gap(self, at_s: float) -> bool:
        """Whether nothing sounds after it: a strum rings on."""
        at, edge = at_s * self.measured.rate_hz, _PLAYING.gap_edge_s * self.measured.rate_hz
        return any(start <= at < stop - edge for start, stop in self.gaps)

    def _onset_confidence(self, at_s: float) -> float:
        """Confidence of the most certain onset at a place, 0 if there is none."""
        rate = self.measured.rate_hz
        start = max(round((at_s - _PLAYING.context_s) * rate), 0)
        stop = min(round((at_s + _PLAYING.context_s / 2) * rate), self.measured.frames)
        floor_db = self.noise.level_db if self.noise is not None else _PLAYING.silence_db
        onsets = self.ask(detect_onsets, PlacedSound(self.sound, stop - start, Place(-start, 0.0)), floor_db).onsets
        first_s, last_s = at_s - _PLAYING.onset_before_s, at_s + _PLAYING.onset_after_s
        return max((onset.confidence for onset in onsets if first_s < onset.at_s + start / rate < last_s), default=0.0)

    @cached_property
    def dropouts(self) -> list[Dropout]:
        """Drop-outs: runs of one value first, then repeats, each in order of time."""
        measured = self.measured
        found = find_dropouts(self.sound, measured.runs, measured.repeats, peak=measured.peak, loud=self._level.loud,
                              shortest_s=self.limits.dropout_ms / 1000)
        return [one for one in found if not self.is_talk(one.place.start / measured.rate_hz)]

    @cached_property
    def clipping(self) -> Clipping | None:
        """Clipped peaks, without those of talk before bar 1."""
        found: Clipping | None = self.ask(
            find_clipping, self.sound, measured=self.measured, steps=self.steps)
        if found is None or not self.talk_s:
            return found
        places = tuple(at for at in found.places if not self.is_talk(at / self.measured.rate_hz))
        return replace(found, places=places) if places else None

    @cached_property
    def band_limit(self) -> BandLimit | None:
        """A hard upper end of the spectrum."""
        return find_band_limit(self.measured)

    @cached_property
    def tuning(self) -> Tuning | None:
        """Cents against equal temperament."""
        found: Tuning | None = self.ask(tuning_of, self.measured.low, self.a4_hz)
        if found is None or self.tuned_beside is None:
            return found
        return replace(found, cents=unwrap_cents(found.cents, [self.tuned_beside]))

    @cached_property
    def low_notes(self) -> LowNotes | None:
        """The lowest notes that are played."""
        if self.tuning is None:
            return None
        lines = [line.hz for line in self.hum.lines] if self.hum else []
        return self.ask(lowest_notes, self.measured.low, self.a4_hz, self.tuning.cents, lines)

    @property
    def span_s(self) -> tuple[float, float] | None:
        """First and last moment of the playing, in seconds; None in a silent take."""
        return None if self.is_silent else self._level.span_s

    @cached_property
    def filters(self) -> FloatArray:
        """The recipe's high-passes as sections."""
        kept = [one for one in self.chain.high_pass if one.hz < self.measured.rate_hz / 2]
        return design(Chain(high_pass=kept), self.measured.rate_hz).sections

    @cached_property
    def density(self) -> tuple[FloatArray, FloatArray]:
        """Hz and mean power density, fine below 1.4 kHz."""
        measured = self.measured
        upper = measured.spectrum_hz > measured.low.spectrum_hz[-1]
        return (np.concatenate([measured.low.spectrum_hz, measured.spectrum_hz[upper]]),
                np.concatenate([measured.low.spectrum, measured.spectrum[upper]]))

    @cached_property
    def brightness_db(self) -> float | None:
        """Level of 2 to 8 kHz relative to 150 Hz to 1.5 kHz; None in silence."""
        hz, density = self.density
        width = np.gradient(hz)
        bright, body = (float((density * width)[(hz > low) & (hz < high)].sum())
                        for low, high in (_PLAYING.bright_hz, _PLAYING.body_hz))
        return 10 * math.log10(bright / body) if bright > 0 and body > 0 else None

    def filter_loss_db(self, sections: FloatArray, *, below_hz: float | None = None) -> float:
        """What a filter takes off the loudness, or off the power below a frequency, in dB."""
        hz, density = self.density
        inside = (hz > _PLAYING.lowest_hz) & (hz < (below_hz or math.inf))
        hz, density = hz[inside], density[inside]
        width = np.gradient(hz) if len(hz) > 1 else np.ones(len(hz))
        power = density * width
        if below_hz is None:
            power = power * 10 ** (response_db(k_weighting(self.measured.rate_hz), hz, self.measured.rate_hz) / 10)
        passed = power * 10 ** (response_db(sections, hz, self.measured.rate_hz) / 10) if len(sections) else power
        return 10 * math.log10(power.sum() / passed.sum()) if power.sum() > 0 and passed.sum() > 0 else 0.0

    def lift_db(self, at_s: float | None) -> float:
        """How much louder the recipe's compressor makes a place (None: silence) relative to the loud hits, in dB."""
        asked = self.chain.compressor
        if asked is None or self.is_silent:
            return 0.0
        hits = self._level.hits_db
        if asked.threshold_db is not None:
            threshold, at_hits = asked.threshold_db, None
        else:
            assert asked.hits_db is not None
            at_hits = asked.hits_db
            threshold = hits - at_hits / max(1 - 1 / asked.ratio, 1e-3)

        def reduced(level_db: float) -> float:
            return float(reduction_db(np.array([level_db]), threshold_db=threshold, ratio=asked.ratio,
                                      knee_db=asked.knee_db)[0])

        here = -120.0
        if at_s is not None:
            peaks = peaks_db(self.steps)
            here = float(peaks[min(int(at_s * 100), len(peaks) - 1)])
        return max((reduced(hits) if at_hits is None else at_hits) - reduced(here), 0.0)
