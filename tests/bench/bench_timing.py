"""Quality and speed of onsets, moves and verdicts beside librosa: python -m tests.bench.bench_timing [songs].

Onsets are scored by mir_eval.onset (MIREX definition: one-to-one within a window) after each detector's constant offset
is removed; the offset is printed. `modal` is made in another way than the voices the detector was tried on. CPU time of
one core, so that a busy machine does not change the figure.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import mir_eval
import numpy as np

from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.timing.grid.align import robust_spread
from layerpipe.analysis.timing.grid.expected import onsets_with_expected
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Recipe, Timing
from layerpipe.recipe.tempo_map import TempoMap
from tests.support.sounds.planted import METERS, TEMPI, compare_moves, judge, plant_song
from tests.support.sounds.strums import EASY, HARD, Hand, Strums, make_strums

WINDOWS_S = (0.005, 0.010, 0.025, 0.050)
VOICES = ("steel", "nylon", "electric", "modal")
LOOSE_MS = (8.0, 24.0, 36.0, 48.0)


def by_librosa(take: Strums) -> np.ndarray:
    """librosa.onset.onset_detect, defaults, at its own rate."""
    import librosa

    low = librosa.resample(take.samples.astype(np.float32), orig_sr=take.rate_hz, target_sr=22_050)
    return librosa.onset.onset_detect(y=low, sr=22_050, units="time")


def by_layerpipe(take: Strums) -> np.ndarray:
    """Ours."""
    return np.array([onset.at_s for onset in detect_onsets(ArraySound(take.samples, take.rate_hz)).onsets])


def on_the_grid(take: Strums) -> np.ndarray:
    """Ours, when the tempo is known."""
    tempo_map = TempoMap.of(Recipe.of({
        "song": {"title": "T", "tempo": take.tempo, "meter": take.meter, "bar_one_s": take.bar_one_s},
        "layer": [{"name": "a", "take": [{"name": "left", "file": "left.wav"}]}]}))
    heard = detect_onsets(ArraySound(take.samples, take.rate_hz))
    return np.array([onset.at_s for onset in onsets_with_expected(heard, tempo_map)])


def score(takes: list[Strums], find: Callable[[Strums], np.ndarray]) -> str:
    """One row: F at four windows, error without the constant, the constant."""
    rows, errors, biases = [], [], []
    for take in takes:
        found = find(take)
        pairs = mir_eval.util.match_events(take.onsets_s, found, 0.05)
        late = np.array([found[j] - take.onsets_s[i] for i, j in pairs])
        bias = float(np.median(late)) if len(late) else 0.0
        biases.append(bias * 1000)
        errors += list(np.abs(late - bias) * 1000)
        rows.append([mir_eval.onset.f_measure(take.onsets_s, found - bias, window=w)[0] for w in WINDOWS_S])
    figures = " ".join(f"{value:5.3f}" for value in np.mean(rows, axis=0))
    return f"{figures}   {np.median(errors):4.1f} / {np.percentile(errors, 95):4.1f}   {np.mean(biases):+5.1f}"


def takes_of(voice: str, hand: Hand, count: int) -> list[Strums]:
    """Takes in all meters."""
    made = []
    for n in range(count):
        meter = METERS[n % len(METERS)]
        tempo = float(np.random.default_rng(n).uniform(*TEMPI[meter]))
        made.append(make_strums(70 + n, voice=voice, hand=hand, meter=meter, tempo=tempo, bars=8))
    return made


def onsets(count: int) -> None:
    """The table of onsets."""
    print(f"{'onsets':28s} F at 5    10    25    50 ms   error 50 / 95 %   bias ms")
    for voice in VOICES:
        for name, hand in (("plain", EASY), ("hard", HARD)):
            takes = takes_of(voice, hand, count)
            print(f"{voice + ', ' + name:18s} ours     {score(takes, by_layerpipe)}")
            print(f"{'':18s} on grid  {score(takes, on_the_grid)}")
            print(f"{'':18s} librosa  {score(takes, by_librosa)}")


def moves(count: int) -> None:
    """The table of loose places."""
    print("loose places: planted, proposed, false, minutes of sound; mean distance of moved strums from their place")
    for voice in VOICES:
        planted = proposed = wrong = 0
        minutes, before, after = 0.0, list[float](), list[float]()
        for n in range(count):
            song = plant_song(400 + n, voice=voice, hand=Hand(scatter_ms=6.0, light=0.08, muted=0.06, room_db=-20.0,
                                                              noise_db=-70.0))
            heard = [detect_onsets(ArraySound(take.samples, take.rate_hz)) for take in song.takes]
            judged = judge(song, heard)
            counted = compare_moves(song, judged)
            for take, (proposals, _) in zip(song.takes, judged, strict=True):
                late_ms = 1000 * (take.onsets_s - take.grid_s)
                late_ms = late_ms - np.median(late_ms)  # what is left is feel
                for move in proposals:
                    for onset in move.onsets:
                        nearest = int(np.argmin(np.abs(take.onsets_s - onset.onset.at_s)))
                        before.append(abs(late_ms[nearest]))
                        after.append(abs(late_ms[nearest] + move.by_ms))
            planted, proposed, wrong = planted + counted[0], proposed + counted[1], wrong + counted[2]
            minutes += sum(take.seconds for take in song.takes) / 60
        print(f"  {voice:10s} {planted:4d} {proposed:4d} {wrong:4d}   {minutes:.1f}   {np.mean(before):.1f} -> "
              f"{np.mean(after):.1f} ms")


def verdicts(count: int) -> None:
    """Which takes are to be re-recorded."""
    print("takes to re-record, by the spread they were played with:")
    for scatter_ms in LOOSE_MS:
        back, found = 0, []
        for n in range(count):
            song = plant_song(600 + n, voice="steel", hand=Hand(scatter_ms=scatter_ms), places=1)
            heard: list[Detection] = [detect_onsets(ArraySound(take.samples, take.rate_hz)) for take in song.takes]
            back += any("the spread is" in again.why for again in judge(song, heard, Timing())[1][1])
            double = song.takes[1]
            found.append(robust_spread((double.onsets_s - double.grid_s) * 1000))
        print(f"  {scatter_ms:4.0f} ms ({', '.join(f'{one:.0f}' for one in found)} as it came out): {back} of {count}")


def speed() -> None:
    """Times real time of one core, ours and librosa's."""
    take = make_strums(1, hand=HARD, bars=24)
    for name, find in (("layerpipe", by_layerpipe), ("librosa", by_librosa)):
        find(make_strums(2, bars=1))
        begun = time.process_time()
        find(take)
        print(f"speed, {name}: {take.seconds / (time.process_time() - begun):.0f} times real time")


if __name__ == "__main__":
    songs = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    onsets(songs)
    moves(songs)
    verdicts(songs)
    speed()
