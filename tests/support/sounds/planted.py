"""Songs of two takes with loose places planted in one of them, and how a list of moves compares with the truth.

Places of 25 to 60 ms: the first downbeat early, a bar that drags or rushes, a single strum late or early.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.timing.edits.proposals import Proposal, propose_edits
from layerpipe.analysis.timing.edits.retakes import BarRange, Rerecord
from layerpipe.analysis.timing.grid.align import align_onsets
from layerpipe.analysis.timing.grid.expected import onsets_with_expected
from layerpipe.recipe.model.recipe import Recipe, Timing
from layerpipe.recipe.tempo_map import TempoMap
from tests.support.sounds.strums import PATTERNS, Hand, Strums, Voice, make_strums

TEMPI = {"6/8": (48.0, 70.0), "4/4": (66.0, 108.0), "3/4": (70.0, 108.0), "12/8": (48.0, 66.0)}
METERS = tuple(TEMPI)


@dataclass(frozen=True)
class PlantedSong:
    """The loose take first, then its double."""

    takes: tuple[Strums, Strums]
    recipe: Recipe


def plant_song(seed: int, *, voice: str | Voice, hand: Hand, bars: int = 16, places: int = 3) -> PlantedSong:
    """Two takes; the first has `places` loose places, none in neighbouring bars."""
    rng = np.random.default_rng([9, seed])
    meter = METERS[seed % len(METERS)]
    tempo = float(np.round(rng.uniform(*TEMPI[meter]), 1))
    pattern = PATTERNS[meter]
    played = [e for e, velocity in enumerate(pattern) if velocity]
    planted = []
    for n, bar in enumerate([1, *sorted(1 + 2 * rng.choice(np.arange(1, bars // 2 - 1), places - 1, replace=False))]):
        by_ms = float(rng.uniform(25, 60) * rng.choice([-1, 1]))
        if n == 0:
            planted.append((1, 0, 0, -abs(by_ms)))
        elif rng.random() < 0.5:
            planted.append((int(bar), 0, len(pattern) - 1, by_ms * 0.7 if abs(by_ms) > 36 else by_ms))
        else:
            e = int(rng.choice(played))
            planted.append((int(bar), e, e, by_ms))
    loose = make_strums(seed, voice=voice, hand=replace(hand, average_offset_ms=float(rng.uniform(-8, 8))), tempo=tempo,
                        meter=meter, bars=bars, planted=tuple(planted))
    double = make_strums(seed + 50_000, voice=voice, hand=replace(hand, average_offset_ms=float(rng.uniform(-8, 8))),
                         tempo=tempo, meter=meter, bars=bars)
    song = {"title": "Planted", "tempo": tempo, "meter": meter, "bar_one_s": loose.bar_one_s}
    recipe = Recipe.of({"song": song, "layer": [{"name": "a", "take": [
        {"name": "loose", "file": "loose.wav"}, {"name": "double", "file": "double.wav"}]}]})
    return PlantedSong((loose, double), recipe)


def judge(song: PlantedSong, detected: Sequence[Detection],
          timing: Timing | None = None) -> list[tuple[list[Proposal], list[Rerecord]]]:
    """What is proposed for both takes."""
    tempo_map = TempoMap.of(song.recipe)
    found = [onsets_with_expected(one, tempo_map) for one in detected]
    aligned = [align_onsets(onsets, onsets.at_s, tempo_map, one.doubtful_s)
              for onsets, one in zip(found, detected, strict=True)]
    last = tempo_map.bar_at(song.takes[0].seconds)
    whole = [BarRange("the whole take", 1, last)]
    return [propose_edits(("loose", "double")[n], aligned[n], (("loose", "double")[1 - n], aligned[1 - n]),
                       [aligned[1 - n]], whole, timing or Timing()) for n in range(2)]


def compare_moves(song: PlantedSong,
                  judged: Sequence[tuple[list[Proposal], list[Rerecord]]]) -> tuple[int, int, int]:
    """How many places were planted, how many of them are proposed (the right way), how many moves are false.

    Returns
    -------
    (planted, found, false)
        A move is false if no planted strum is in it.
    """
    loose = song.takes[0]
    spots = [(place.first_s - 0.02, place.last_s + 0.02, place.by_ms) for place in loose.planted]
    hit = [False] * len(spots)
    false = len(judged[1][0])
    for move in judged[0][0]:
        meant = {n for onset in move.onsets for n, (first, last, by) in enumerate(spots)
                 if first - 0.09 <= onset.onset.at_s <= last + 0.09 and by * move.by_ms < 0}
        for n in meant:
            hit[n] = True
        false += not meant
    return len(spots), sum(hit), false
