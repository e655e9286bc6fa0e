"""The demo songs are what they claim: formats, levels, tuning, hands, planted faults; their script makes them anew.

Limits without a named source are the demo's own design.
"""

from __future__ import annotations

import functools
import itertools
import sys
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy import fft, signal

from layerpipe.recipe.reader import read_recipe

STEMS = Path(__file__).resolve().parents[2] / "demo_stems"
RECIPES = STEMS.parent / "recipes"
sys.path.insert(0, str(STEMS))

import copper  # noqa: E402  (the scripts of the demo lie beside their stems)
import lantern  # noqa: E402
import make_demo  # noqa: E402
import rooms  # noqa: E402
import strings  # noqa: E402

LANTERN = [plan.file for plan in lantern.TAKES]
COPPER = [plan.file for plan in copper.TAKES]
TAKES = LANTERN + COPPER
PAIRS = [*itertools.combinations(LANTERN, 2), *itertools.combinations(COPPER[:3], 2)]
LAST_BIT = 2.0**-23


@functools.cache
def heard(name: str) -> tuple[np.ndarray, int]:
    """A committed file and its rate."""
    sound, rate_hz = soundfile.read(STEMS / name)
    return sound, rate_hz


@functools.cache
def spectrum_of(name: str) -> np.ndarray:
    """Spectrum of a file of unit energy; times the conjugate of another's, it is that of their correlation."""
    sound = heard(name)[0].astype(np.float32)
    longest = max(soundfile.info(STEMS / take).frames for take in TAKES)
    return fft.rfft(sound / np.sqrt(np.sum(sound**2)), fft.next_fast_len(2 * longest, real=True))


def rms_db(sound: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(sound**2)))


def band_db(sound: np.ndarray, rate_hz: int, low_hz: float, high_hz: float) -> float:
    """Level of a band."""
    sos = signal.butter(4, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos")
    return rms_db(signal.sosfilt(sos, sound))


def partial_hz(sound: np.ndarray, rate_hz: int, near_hz: float, within_cents: float = 40.0) -> tuple[float, float]:
    """Frequency and level (dB) of the strongest partial near a place: parabola on a padded log spectrum."""
    spectrum = np.abs(np.fft.rfft(sound * signal.windows.blackmanharris(len(sound)), 4 * len(sound)))
    width = 2 ** (within_cents / 1200)
    bins = np.array([near_hz / width, near_hz * width]) * 4 * len(sound) / rate_hz
    first = int(np.ceil(bins[0]))
    peak = first + int(np.argmax(spectrum[first : int(bins[1]) + 1]))
    left, top, right = np.log(spectrum[peak - 1 : peak + 2])
    place = peak + 0.5 * (left - right) / (left - 2 * top + right)
    return place * rate_hz / (4 * len(sound)), float(20 * np.log10(spectrum[peak]))


def cents(hz: float, against_hz: float) -> float:
    return float(1200 * np.log2(hz / against_hz))


def test_all_of_it_stays_under_25_megabytes():
    assert sum(file.stat().st_size for file in STEMS.iterdir() if file.is_file()) < 25_000_000
    assert {file.name for file in STEMS.glob("*.flac")} == set(make_demo.files())


@pytest.mark.parametrize("name", [*TAKES, "bed.flac"])
def test_files_are_24_bit_flac_of_one_length_a_song(name):
    facts = soundfile.info(STEMS / name)
    assert (facts.format, facts.subtype) == ("FLAC", "PCM_24")
    assert facts.channels == (2 if name == "bed.flac" else 1)
    assert facts.samplerate == make_demo.files()[name][0]
    assert facts.duration == pytest.approx(copper.SECONDS if name in COPPER else lantern.SECONDS, abs=1e-4)


@pytest.mark.parametrize("name", TAKES)
def test_takes_are_as_loud_as_takes_are(name):
    sound, rate_hz = heard(name)
    assert -9.0 < 20 * np.log10(np.abs(sound).max()) < -4.5
    # BS.1770 through pyloudnorm with the exact filters.
    assert -26.5 < pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound) < -20.0
    assert abs(sound.mean()) < 1e-5


@pytest.mark.parametrize("name", [name for name in TAKES if name != "regular-left.flac" and "rakes" not in name])
def test_the_noise_floor_before_the_first_strum_is_near_minus_75_dbfs(name):
    sound, rate_hz = heard(name)
    assert -77.5 < rms_db(sound[: int(0.35 * rate_hz)]) < -73.0


def test_the_bed_is_softer_than_the_takes_and_survives_mono():
    sound, rate_hz = heard("bed.flac")
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    assert -31.0 < meter.integrated_loudness(sound) < -25.0
    assert rms_db(sound.mean(axis=1)) - rms_db(sound) > -1.0
    assert np.abs(sound).max() < 0.5


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_no_take_is_a_copy_of_another(one, other):
    """At no delay do two takes correlate."""
    assert np.abs(fft.irfft(spectrum_of(one) * np.conj(spectrum_of(other)))).max() < 0.25


def test_a_copy_would_be_found():
    assert np.abs(fft.irfft(np.abs(spectrum_of(LANTERN[0])) ** 2)).max() == pytest.approx(1.0, abs=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize(
    "kinds", [lantern.REGULAR, lantern.HIGH_STRUNG, copper.STRINGS], ids=["regular", "high-strung", "electric"]
)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_strings_are_in_tune_and_as_stiff_as_they_say(kinds, rate_hz):
    """Partial n of a stiff string lies at n sqrt((1 + B n^2) / (1 + B)) times the first: Fletcher, JASA 36, 1964."""
    for number, kind in enumerate(kinds):
        pluck = strings.Pluck(0, 0.01, 0, 0.6, 0.17, 0.3, 0.0)
        sound = strings.ring([kind], [strings.Fretting(0, 0.0, 0), pluck], rate_hz=rate_hz, frames=rate_hz,
                             tuning_cents=[0.0], share=0.0, pickup=None, rng=np.random.default_rng(number))
        for n in (1, 2, 4, 7):
            wanted_hz = n * kind.open_hz * np.sqrt((1 + kind.stiffness * n**2) / (1 + kind.stiffness))
            assert abs(cents(partial_hz(sound[2000:], rate_hz, wanted_hz)[0], wanted_hz)) < 0.7


@pytest.mark.parametrize("name", LANTERN)
def test_the_last_chord_is_in_tune(name):
    """G major as it rings out, its two lowest strings (no partial of another lies beside their first); ISO 16 pitch."""
    sound, rate_hz = heard(name)
    start = int((lantern.at_s(16, 0) + 0.4) * rate_hz)
    octave = 12 if name.startswith("octave") else 0
    # Strings 6, 5 and 2 of the chord: no other string's partial lies beside their first.
    for half_steps_from_a4 in (-26 + octave, -22 + octave):
        wanted_hz = 440.0 * 2 ** (half_steps_from_a4 / 12)
        assert abs(cents(partial_hz(sound[start : start + int(1.4 * rate_hz)], rate_hz, wanted_hz)[0], wanted_hz)) < 2.0


def test_the_high_strung_pair_lacks_the_low_octave_and_is_brighter():
    def low_and_bright(name: str) -> tuple[float, float]:
        sound, rate_hz = heard(name)
        start = int((lantern.at_s(16, 0) + 0.4) * rate_hz)
        chord = sound[start : start + int(1.4 * rate_hz)]
        low = partial_hz(chord, rate_hz, 98.0)[1] - partial_hz(chord, rate_hz, 196.0)[1]
        return low, band_db(sound, rate_hz, 4000, 8000) - band_db(sound, rate_hz, 80, 4000)

    for side in ("left", "right"):
        regular, octave = low_and_bright(f"regular-{side}.flac"), low_and_bright(f"octave-{side}.flac")
        assert regular[0] > -15.0
        assert octave[0] < -30.0
        assert octave[1] > regular[1] + 4.0


@pytest.mark.parametrize(("song", "plan"), [(song, plan) for song in (lantern, copper) for plan in song.TAKES],
                         ids=lambda value: getattr(value, "file", ""))
def test_sudden_treble_is_found_only_where_a_string_is_struck(song, plan):
    """Above 10 kHz nothing but a pick (a rake: six picks in an eighth of a second) may stand out: no cut, no click."""
    sound, rate_hz = heard(plan.file)
    struck_s = np.array([strum.at_s for strum in song.score(plan)[0]])
    treble = signal.sosfiltfilt(signal.butter(4, 10_000, "highpass", fs=rate_hz, output="sos"), sound)
    around = np.sqrt(signal.oaconvolve(treble**2, np.full(rate_hz // 20, 20 / rate_hz), "same"))
    places_s = np.flatnonzero(np.abs(treble) > 7 * np.maximum(around, 3e-6)) / rate_hz
    since_s = places_s - struck_s[np.maximum(np.searchsorted(struck_s, places_s + 0.008) - 1, 0)]
    assert np.all((since_s > -0.008) & (since_s < (0.14 if song is copper else 0.045)))


def test_hands_are_human_and_no_two_takes_the_same():
    offsets = []
    for plan in lantern.TAKES:
        played = [strum.at_s for strum in lantern.score(plan)[0]][1:]
        grid = np.array(played) - lantern.BAR_ONE_S
        off_ms = 1000 * (grid - np.round(grid / (lantern.EIGHTH_S / 2)) * lantern.EIGHTH_S / 2)
        assert 3.5 < off_ms.std() < 8.0
        offsets.append(off_ms)
    for one, other in itertools.combinations(offsets, 2):
        length = min(len(one), len(other))
        assert abs(np.corrcoef(one[:length], other[:length])[0, 1]) < 0.35


@pytest.mark.parametrize(("name", "early_ms"), [("regular-left.flac", -1.0), ("regular-right.flac", 34.0)])
def test_one_take_starts_34_ms_early(name, early_ms):
    sound, rate_hz = heard(name)
    treble = signal.sosfilt(signal.butter(2, 200, "highpass", fs=rate_hz, output="sos"), sound)
    floor = np.abs(treble[: int(0.4 * rate_hz)]).max()
    first_s = np.flatnonzero(np.abs(treble) > 2.5 * floor)[0] / rate_hz
    assert 1000 * (lantern.BAR_ONE_S - first_s) == pytest.approx(early_ms, abs=2.5)


def test_one_take_rumbles_below_40_hz():
    before_bar_one = {name: heard(name)[0][: int(0.4 * 48_000)] for name in LANTERN}
    rumble_db = {name: band_db(sound, 48_000, 10, 40) for name, sound in before_bar_one.items()}
    others = [level for name, level in rumble_db.items() if name != "regular-left.flac"]
    assert rumble_db["regular-left.flac"] > max(others) + 20.0


def test_one_take_has_a_faint_click_in_a_break():
    for name in LANTERN[2:]:
        sound, rate_hz = heard(name)
        place = round(lantern.at_s(*lantern.CLICK_PLACE) * rate_hz)
        treble = signal.sosfilt(signal.butter(2, 1500, "highpass", fs=rate_hz, output="sos"), sound)
        around_db = rms_db(treble[place - rate_hz // 5 : place - rate_hz // 100])
        here_db = 20 * np.log10(np.abs(treble[place : place + 200]).max())
        if name == "octave-left.flac":
            assert here_db == pytest.approx(lantern.CLICK_DBFS, abs=3.0)
            assert here_db - around_db > 18.0
        else:
            assert here_db - around_db < 14.0


def test_the_chorus_is_hit_harder_than_the_verse():
    for name in LANTERN[:2]:
        sound, rate_hz = heard(name)
        verse, chorus = (sound[int(lantern.at_s(bar, 0) * rate_hz) : int(lantern.at_s(bar + 4, 0) * rate_hz)]
                         for bar in (1, 5))
        assert rms_db(chorus) > rms_db(verse) + 2.0
        assert np.abs(chorus).max() > 1.4 * np.abs(verse).max()


@pytest.mark.slow
def test_the_script_makes_the_stems_anew(tmp_path):
    """The same bytes twice; against the committed file at most the last bit, in which processors may differ."""
    name, seconds = "octave-right.flac", 2.0
    rate_hz, render = make_demo.files(seconds)[name]
    for run in ("first", "second"):
        rooms.write_flac(tmp_path / f"{run}.flac", render(), rate_hz)
    assert (tmp_path / "first.flac").read_bytes() == (tmp_path / "second.flac").read_bytes()
    again, _ = soundfile.read(tmp_path / "first.flac")
    assert len(again) == round(seconds * rate_hz)
    assert np.abs(again - heard(name)[0][: len(again)]).max() <= LAST_BIT


def test_a_stem_past_full_scale_is_refused(tmp_path):
    with pytest.raises(ValueError, match="past full scale"):
        rooms.write_flac(tmp_path / "loud.flac", np.array([0.0, 1.0]), 48_000)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["lantern.toml", "copper_weather.toml", "smallest.toml"])
def test_the_recipes_can_be_read_and_their_stems_are_there(name):
    recipe = read_recipe(RECIPES / name).recipe
    files = [take.file for layer in recipe.layer for take in layer.take]
    assert len(files) >= 2
    assert all((RECIPES / file).is_file() for file in files)
    assert not any(take.move for layer in recipe.layer for take in layer.take)


def test_the_smallest_recipe_is_ten_lines():
    assert len((RECIPES / "smallest.toml").read_text().splitlines()) == 10
