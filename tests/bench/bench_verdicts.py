"""What `timing` says of whole songs on files: python -m tests.bench.bench_verdicts [own songs a voice] [instruments].

Clean takes, takes that begin late or early by a planted time, a beat or a bar off, drifting or swaying (resampled: the
pitch changes by as much), and real players' attacks on sampled guitars. Of two takes alone only their difference is
heard: a slow drift that what was played takes away again is none, and which of both is late may stay open. Own strums
and outside material (LAYERPIPE_MATERIAL) apart, the half that limits were tuned on and the other apart. Every case is a
recipe and audio files, judged as the command does.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

from layerpipe.analysis.timing.song_timing import SongTiming
from layerpipe.jobs.timing import time_song
from layerpipe.recipe.reader import read_recipe
from tests.bench.material.compared_cases import WOBBLE, WOBBLE_PERIODS_S
from tests.bench.material.compared_songs import RATE_HZ, PlayedSong, outside_song, own_song, player_song
from tests.bench.material.outside_material import folder, instruments, recordings

VOICES = ("steel", "nylon", "electric", "modal")
PLAYED_BY = ("general/steel-guitar", "fluid/clean-guitar")


def write_song(song: PlayedSong, place: Path, first: np.ndarray, takes: int = 4) -> Path:
    """A recipe of the song's takes, the first with another sound."""
    text = [f'[song]\ntitle = "T"\ntempo = {song.tempo}\nmeter = "{song.meter}"\nbar_one_s = {song.bar_one_s}\n']
    layer = ""
    for number, take in enumerate(song.takes[:takes]):
        soundfile.write(place / f"{take.name}.wav", first if number == 0 else take.samples, RATE_HZ, subtype="PCM_24")
        if take.layer != layer:
            layer = take.layer
            text.append(f'[[layer]]\nname = "{layer}"\n')
        text.append(f'[[layer.take]]\nname = "{take.name}"\nfile = "{take.name}.wav"\n')
    recipe = place / "song.toml"
    recipe.write_text("\n".join(text))
    return recipe


def moved(samples: np.ndarray, by_s: float) -> np.ndarray:
    """A file that begins later, or earlier, by a whole number of frames."""
    frames = round(by_s * RATE_HZ)
    return np.concatenate([np.zeros(frames, samples.dtype), samples]) if frames > 0 else samples[-frames:]


def slower(samples: np.ndarray, percent: float) -> np.ndarray:
    """Played slower by some percent."""
    at = np.arange(round(len(samples) * (1 + percent / 100))) / (1 + percent / 100)
    return np.interp(at, np.arange(len(samples)), samples)


def swayed(samples: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Played at a tempo that sways by 1 %."""
    period_s, at = float(random.uniform(*WOBBLE_PERIODS_S)), np.arange(len(samples) + RATE_HZ) / RATE_HZ
    depth_s, turn = WOBBLE * period_s / (2 * np.pi), 2 * np.pi / period_s
    return np.interp((at - depth_s * np.sin(turn * at)) * RATE_HZ, np.arange(len(samples)), samples, right=0.0)


def cases(song: PlayedSong, seed: int) -> Iterator[tuple[str, float, np.ndarray]]:
    """(kind, amount, sound of the first take); amounts are ms or percent."""
    random = np.random.default_rng([seed, 11])
    first = song.takes[0].samples
    yield "clean", 0.0, first
    for low, high in ((20, 40), (40, 120), (120, 300), (300, 1000), (1000, 2000)):
        # Before bar 1 there is room for 0.6 s.
        late_ms = float(random.uniform(low, high)) * (-1 if random.random() < 0.4 and high <= 300 else 1)
        yield "offset", late_ms, moved(first, late_ms / 1000)
    for kind, span_s in (("beat", 60 / song.tempo), ("bar", song.bar_s)):
        yield kind, 1000 * span_s, moved(first, span_s)
    for percent in (0.2, 0.5, 1.0, 2.0):
        by = percent * float(random.choice((-1, 1)))
        yield "drift", by, slower(first, by)
    yield "wobble", 1.0, swayed(first, random)


def word_of(kind: str, amount: float, found: SongTiming, base_ms: float) -> str:
    """Whether what is said is right."""
    first, *rest = found.takes
    blamed = [take.verdict for take in rest if take.place.kind not in ("none", "unknown") and take.place.decided]
    if kind == "clean":
        return f"{first.verdict}{', another ' + blamed[0] if blamed else ''}"
    if blamed:
        return "another take is blamed"
    said = f"{first.verdict}, {first.place.words}"
    if kind in ("drift", "wobble"):
        is_right = first.place.kind == kind
    else:
        # A bar may also be so many beats; what is more than shift_ms may be is told.
        is_right = (abs((first.place.offset_ms or np.inf) - amount - base_ms) < 2 and first.place.kind != "none"
                    and bool(first.edits.shift_ms or first.edits.unmended))
    if is_right and not first.place.decided:
        return "told, which take is open"
    return "right" if is_right and first.verdict not in ("tight", "unknown") else said


def main(words: list[str]) -> int:
    """Print the table."""
    own, outside = (int(word) for word in (words + ["1", "6"][len(words):]))
    songs: list[tuple[str, Callable[[], PlayedSong], bool]] = [
        ("own", partial(own_song, seed, voice), True) for seed in range(own) for voice in VOICES]
    here = instruments() if folder() else []
    stringed = [one for one in here if one.kind in ("plucked", "struck")]
    chosen = [one for half in ("tuned on", "never looked at")
              for one in [one for one in stringed if one.split == half][:outside // 2]]
    songs += [(one.split, partial(outside_song, 60 + n, one), True) for n, one in enumerate(chosen)]
    songs += [("real players", partial(player_song, player, one, 300 + n), False)
              for n, player in enumerate(one for one in (recordings() if folder() else [])
                                         if one.path.suffix == ".jams") for one in here if one.name in PLAYED_BY]
    told: dict[str, Counter[str]] = defaultdict(Counter)
    for number, (half, make, planted) in enumerate(songs):
        song = make()
        for takes in (4, 2):
            base_ms = 0.0
            for kind, amount, first in cases(song, number):
                if not planted and kind != "clean":
                    continue
                with tempfile.TemporaryDirectory() as place:
                    found = time_song(read_recipe(write_song(song, Path(place), first, takes)))
                if kind == "clean":
                    base_ms = found.takes[0].place.offset_ms or 0.0
                    for take in found.takes:
                        told[f"{half}, {takes} takes, clean"][take.verdict] += 1
                        if take.rerecord or take.edits.shift_ms:
                            print(f"  {song.name}, {takes} takes: {take.name}: {take.edits.shift_ms} "
                                  f"{[again.why for again in take.rerecord]}", flush=True)
                    continue
                word = word_of(kind, amount, found, base_ms)
                told[f"{half}, {takes} takes, {kind}"][word if len(word) < 30 else "wrong"] += 1
                if word != "right":
                    print(f"  {song.name}, {takes} takes, {kind} {amount:.4g}: {word}", flush=True)
    for name, counts in sorted(told.items()):
        print(f"{name}: " + ", ".join(f"{count} {word}" for word, count in counts.most_common()))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
