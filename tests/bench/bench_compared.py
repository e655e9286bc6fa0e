"""How true the comparison of takes is: python -m tests.bench.bench_compared [own songs a voice] [folder].

Misplaced takes (offsets of 20 to 2000 ms, a beat, a bar, drifts of .1 to 2 %, a tempo that sways by 1 %), wrong notes,
clean takes, and how far the confidence can be trusted. Own strums and sampled instruments (LAYERPIPE_MATERIAL), the
half it was tuned on and the half it never was, apart. With a folder, what was heard of each song is kept there:
rendering the sampled songs takes half an hour.
"""

from __future__ import annotations

import pickle
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from layerpipe.analysis.takes_compared.notes.compared import judge_notes
from layerpipe.analysis.takes_compared.offset import OffsetLimits, compare_offsets
from layerpipe.analysis.takes_compared.song_offsets import TakePlace, judge_offsets
from layerpipe.analysis.takes_compared.song_takes import ComparedTake, compare_pairs
from tests.bench.material.compared_cases import HeardSong, TimeCase, hear_song, pair_cases, time_cases
from tests.bench.material.compared_songs import WRONG_BARS, PlayedSong, outside_song, own_song, player_song
from tests.bench.material.outside_material import folder, instruments, recordings

VOICES = ("steel", "nylon", "electric", "modal")
PLAYED_BY = ("general/steel-guitar", "fluid/clean-guitar")
"""Guitars that real players' attacks are rendered on, one of each half."""
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0001)


def jobs(own: int) -> list[tuple[str, Callable[[], PlayedSong]]]:
    """Every song by name."""
    made: list[tuple[str, Callable[[], PlayedSong]]] = []
    for seed in range(own):
        made += [(f"own_{voice}_{seed}", lambda seed=seed, voice=voice: own_song(seed, voice)) for voice in VOICES]
    here = instruments() if folder() else []
    for n, one in enumerate(here):
        made.append((f"out_{one.name.replace('/', '_')}", lambda n=n, one=one: outside_song(1 + n, one)))
    players = [one for one in recordings() if one.path.suffix == ".jams"] if folder() else []
    for n, player in enumerate(players):
        made += [(f"player_{n}_{one.name.replace('/', '_')}", lambda n=n, one=one, player=player:
                  player_song(player, one, 300 + n)) for one in here if one.name in PLAYED_BY]
    return made


def heard_songs(own: int, kept: Path | None) -> list[HeardSong]:
    """Songs as they were heard; from the folder where they are there."""
    if kept is not None and (there := sorted(kept.glob("*.heard"))):
        return [pickle.loads(path.read_bytes()) for path in there]
    songs = []
    for name, make in jobs(own):
        song = hear_song(make())
        songs.append(song)
        if kept is not None:
            kept.mkdir(parents=True, exist_ok=True)
            (kept / f"{name}.heard").write_bytes(pickle.dumps(song))
    return songs


def places(song: HeardSong, takes: Sequence[ComparedTake]) -> list[TakePlace]:
    """What is said of where the takes lie."""
    return judge_offsets(takes, compare_pairs(takes, song.tempo_map), song.tempo_map)


def told_right(case: TimeCase, found: Sequence[TakePlace]) -> tuple[str, bool]:
    """("right", "unknown" or what is wrong), and whether it was decided which take is misplaced."""
    first, *rest = found
    if first.kind == "unknown":
        return "unknown", False
    if first.decided and any(one.kind not in ("none", "unknown") for one in rest):
        return "another take told", True
    offset_ms = first.offset_ms or 0.0
    if case.kind == "offset":
        if first.kind not in ("offset", "beat", "bar"):
            return f"told {first.kind}", first.decided
        return ("right" if abs(offset_ms - case.amount) < 2 else "not within 2 ms"), first.decided
    if first.kind != case.kind.removeprefix("slow "):
        return f"told {first.kind}", first.decided
    if case.kind in ("beat", "bar"):
        return ("right" if first.whole == case.amount else "another count"), first.decided
    if case.kind.endswith("drift"):
        asked = 600 * case.amount / (1 + case.amount / 100)
        return ("right" if abs(first.drift_ms_per_min - asked) < max(20, 0.05 * abs(asked)) else "another pace"), True
    return "right", first.decided


def judge_time(songs: Sequence[HeardSong], layers: str) -> dict[str, Counter[str]]:
    """What is said of planted offsets, by kind; `layers` are those that the song is cut down to."""
    told: dict[str, Counter[str]] = defaultdict(Counter)
    for number, song in enumerate(songs):
        takes = [take for take in song.takes if take.layer in layers]
        clean = places(song, takes)
        false = [one for one in clean if one.kind not in ("none", "unknown")]
        told["clean takes"].update({"takes": len(takes), "false": len(false),
                                    "unknown": sum(one.kind == "unknown" for one in clean)})
        played = compare_offsets(takes[0].events, takes[1].events, most_lag_s=0.3)
        for case in time_cases(song, number, clean[0].offset_ms or 0.0, played.drift_ms_per_min / 60_000):
            kept = [take for take in case.takes if take.layer in layers]
            word, decided = told_right(case, places(song, kept))
            told[case.kind].update({"cases": 1, word: 1, "which take": int(word == "right" and decided)})
            if word not in ("right", "unknown"):
                print(f"    {song.name}, {layers}: {case.kind} {case.amount:.4g} {word}")
    return told


def judge_wrong(songs: Sequence[HeardSong], layers: str) -> dict[str, Counter[str]]:
    """What is said of planted wrong notes, by kind."""
    told: dict[str, Counter[str]] = defaultdict(Counter)
    for song in songs:
        takes = [take for take in song.takes if take.layer in layers]
        false = judge_notes(takes, compare_pairs(takes, song.tempo_map), song.tempo_map)
        told["clean takes"].update({"takes": len(takes), "false": len({one.take for one in false})})
        for kind, by, wrong in song.wrong:
            kept = [wrong, *takes[1:]]
            found = judge_notes(kept, compare_pairs(kept, song.tempo_map), song.tempo_map)
            mine = [one for one in found if one.take == wrong.name]
            what = {"capo": "all", "semitone": "all", "chord": "chords", "string": "string"}[kind]
            right = len(mine) == 1 and mine[0].what == what
            if right and kind == "chord":
                bars = set(range(WRONG_BARS[0], WRONG_BARS[1] + 1))
                right = len(bars ^ set(mine[0].bars)) <= 1
            elif right:
                right = mine[0].semitones == by
            decided = right and mine[0].decided and len(found) == 1
            blamed = any(one.decided for one in found if one.take != wrong.name)
            told[kind].update({"cases": 1, "right": int(right and not blamed), "which take": int(decided)})
            if not right or blamed:
                said = [(one.take, one.what, one.semitones, one.bars, one.decided) for one in found]
                print(f"    {song.name}, {layers}: {kind} {by}: {said}")
    return told


def reliability(songs: Sequence[HeardSong], seed: int) -> list[tuple[float, float, int]]:
    """Mean confidence, share of right offsets and number of pairs, in bins of confidence."""
    rows = []
    for song, one, other, late_s in pair_cases(songs, seed):
        if min(len(one.events.time_s), len(other.events.time_s)) < 2:
            continue
        found = compare_offsets(one.events, other.events, most_lag_s=2 * song.bar_s,
                                limits=OffsetLimits(least_confidence=0.0))
        right = found.offset_ms is not None and found.course != "wobble" and (
            abs(found.offset_ms - 1000 * late_s) < max(12.0, 3 * found.error_ms))
        rows.append((found.confidence, right))
    sure, right = np.array(rows).T
    return [(float(sure[here].mean()), float(right[here].mean()), int(here.sum()))
            for low, high in pairwise(BINS) if (here := (sure >= low) & (sure < high)).any()]


def main(words: Sequence[str]) -> int:
    """Print the tables."""
    songs = heard_songs(int(words[0]) if words else 2, Path(words[1]) if len(words) > 1 else None)
    groups: dict[str, list[HeardSong]] = defaultdict(list)
    for song in songs:
        half = "own" if song.group.startswith("own") else song.group.split(" ", 1)[1]
        kind = "modal" if song.group == "own modal" else "" if half == "own" else (
            "distorted" if song.distorted else "strings and struck" if song.group.startswith(("plucked", "struck"))
            else "voice, bowed, wind")
        groups[f"{half} {kind}".strip()].append(song)
    for group, members in sorted(groups.items()):
        print(f"{group}: {len(members)} songs")
        for layers in ("ab", "a"):
            began = time.process_time()
            for name, judge in (("time", judge_time), ("notes", judge_wrong)):
                for kind, counts in judge(members, layers).items():
                    print(f"  {'4 takes' if layers == 'ab' else '2 takes'} {name:5} {kind:12} "
                          + ", ".join(f"{word} {count}" for word, count in counts.items() if count))
            print(f"  CPU {time.process_time() - began:.1f} s")
    for name in ("own", "tuned on", "never looked at"):
        members = [song for song in songs if name in song.group]
        if len(members) > 2:
            print(f"confidence, {name}: " + "; ".join(f"{sure:.2f} said {right:.2f} right ({count})"
                                                      for sure, right, count in reliability(members, 5)))
    heard = [song for song in songs if song.seconds]
    if heard:
        minutes = sum(song.seconds for song in heard) / 60
        print(f"per take minute: onsets {1000 * sum(song.cost_s[0] for song in heard) / minutes:.0f} ms, "
              f"notes {1000 * sum(song.cost_s[1] for song in heard) / minutes:.0f} ms")
    calm = songs[0]
    began = time.process_time()
    pairs = compare_pairs(calm.takes, calm.tempo_map)
    judge_offsets(calm.takes, pairs, calm.tempo_map)
    judge_notes(calm.takes, pairs, calm.tempo_map)
    minutes = sum(float(take.events.time_s[-1]) for take in calm.takes) / 60
    print(f"comparing the four takes of {calm.name}: {1000 * (time.process_time() - began) / minutes:.0f} ms "
          "a take minute")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
