"""Light strokes and metronomes on sampled instruments: python -m tests.bench.bench_strokes [takes an instrument].

Both halves of the plucked instruments apart. Light strokes: how many of them, and of all others, have an onset within
50 ms, and how many onsets are true; alone, and where the tempo and bar 1 are known; and how many of the strokes that
were left out of the pattern (what was struck before rings on) have one. Metronomes: the percussion of the sound fonts
as a click at -40 dBFS, the click of one half on takes of the same half; found, its tempo within 0.01, and the onsets
with and without it. Missing strokes: how many of those left out are called missing beside a take that plays everything,
and how many that were played.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import mir_eval
import numpy as np

from layerpipe.analysis.onsets.changes import change_at_db
from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.onset import Detection, Onset, Onsets
from layerpipe.analysis.timing.edits.retakes import find_missing
from layerpipe.analysis.timing.grid.align import align_onsets
from layerpipe.analysis.timing.grid.expected import onsets_with_expected
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from tests.bench.material.human_hands import Note, strummed_notes
from tests.bench.material.outside_instruments import NEVER_LOOKED_AT, TUNED_ON, Instrument
from tests.bench.material.outside_material import Part, drum, instruments, render_part, require_folder

RATE_HZ, BLEED_DB, BARS = 48_000, -40.0, 12
LEFT_OUT = 0.08
NEAR_S, CLOSE_S = 0.05, 0.025
CLICKS = {TUNED_ON: ("fluid", "general"), NEVER_LOOKED_AT: ("gmbank", "tim")}
TICKS = {"click": 33, "bell": 34, "side stick": 37, "wood block": 76, "claves": 75}
"""General MIDI percussion (General MIDI System Level 1, percussion map)."""
METERS = {"4/4": 4, "3/4": 3, "6/8": 2}


def left_out(notes: list[Note], seed: int) -> tuple[list[Note], np.ndarray]:
    """The notes without some, whose place is rung through, and where the others would have been."""
    random = np.random.default_rng((seed, 5))
    kept, places = notes[:1], []
    for note in notes[1:]:
        if random.random() < LEFT_OUT and kept[-1].onset_s > note.onset_s - 1.0:
            kept[-1] = replace(kept[-1], duration_s=note.onset_s + note.duration_s - kept[-1].onset_s)
            places.append(note.onset_s)
        else:
            kept.append(note)
    return kept, np.array(places)


def played(instrument: Instrument, number: int) -> tuple[Part, TempoMap, np.ndarray]:
    """A strummed take, its grid, and the places of the strokes left out."""
    meter = list(METERS)[number % 3]
    tempo = {"4/4": 92.0, "3/4": 104.0, "6/8": 58.0}[meter] + number % 7
    notes = [replace(note, pitches=tuple(pitch for pitch in note.pitches if pitch <= instrument.high))
             for note in strummed_notes(700 + number, low=instrument.low, tempo=tempo, meter=meter, bars=BARS)]
    kept, places = left_out(notes, number)
    grid = TempoMap.of(Recipe.of({
        "song": {"title": "T", "tempo": tempo, "meter": meter, "bar_one_s": 1.0},
        "layer": [{"name": "a", "take": [{"name": "left", "file": "left.wav"}]}]}))
    return render_part(instrument, kept, RATE_HZ, 700 + number), grid, places


def with_click(part: Part, tempo: float, font: str, key: int) -> np.ndarray:
    """The take with a click on each beat from bar 1 on."""
    tick, samples = 10 ** (BLEED_DB / 20) * drum(font, key, RATE_HZ), part.samples.copy()
    for n in range(int((len(samples) / RATE_HZ - 1.2) * tempo / 60)):
        first = round((1.0 + n * 60 / tempo) * RATE_HZ)
        samples[first : first + len(tick)] += tick[: len(samples) - first]
    return samples


def score(part: Part, found: Onsets, left_out_s: np.ndarray) -> Counter[str]:
    """Counts of strokes and onsets."""
    onsets = found.at_s
    light = np.array([note.light for note in part.notes])
    pairs = mir_eval.util.match_events(part.onsets_s, onsets, NEAR_S)
    heard = np.zeros(len(light), bool)
    heard[[i for i, _ in pairs]] = True
    close = len(mir_eval.util.match_events(part.onsets_s, onsets, CLOSE_S))
    return Counter({"light": int(light.sum()), "light heard": int((heard & light).sum()), "others": int((~light).sum()),
                    "others heard": int((heard & ~light).sum()), "onsets": len(onsets), "true": len(pairs),
                    "close": close, "strokes": len(light), "left out": len(left_out_s),
                    "invented": sum(np.abs(onsets - at_s).min() < NEAR_S for at_s in left_out_s)})


def called_missing(part: Part, found: Detection, grid: TempoMap, left_out_s: np.ndarray) -> Counter[str]:
    """How many strokes are called missing, left out and played ones, beside a take that plays all of them."""
    mine = onsets_with_expected(found, grid)
    every = [Onset(float(at_s), 1.0, 15.0, -20.0) for at_s in np.sort(np.concatenate([part.onsets_s, left_out_s]))]
    take, other = (align_onsets(onsets, [onset.at_s for onset in onsets], grid, doubtful_s)
                   for onsets, doubtful_s in ((mine, found.doubtful_s), (every, [])))
    sound = ArraySound(part.samples, RATE_HZ)
    said = " ".join(one.why for one in find_missing("take", take, [other], lambda at_s: change_at_db(sound, at_s)))
    counts = Counter[str]()
    for onset in other.onsets:
        is_said = onset.point is not None and f"{onset.point.text} is missing" in said
        is_left_out = bool(np.any(np.abs(left_out_s - onset.heard_s) < 1e-6))
        counts["missing, said" if is_left_out else "played, called missing"] += is_said
    return counts


def line(name: str, counts: Counter[str]) -> str:
    """One row."""
    recall, precision = (counts["close"] / max(counts[of], 1) for of in ("strokes", "onsets"))
    return (f"{name}: light {counts['light heard']} of {counts['light']}, others {counts['others heard']} of "
            f"{counts['others']}, onsets that are true {counts['true'] / max(counts['onsets'], 1):.3f}, F at 25 ms "
            f"{2 * recall * precision / max(recall + precision, 1e-9):.3f}, "
            f"{counts['invented']} of {counts['left out']} left out"
            + (f", {counts['missing, said']} of them called missing, and {counts['played, called missing']} of "
               f"{counts['strokes']} played" if "missing, said" in counts else ""))


def main(words: list[str]) -> int:
    """Print the tables."""
    require_folder()
    again = int(words[0]) if words else 1
    for half in (TUNED_ON, NEVER_LOOKED_AT):
        whole, expected, bled = Counter[str](), Counter[str](), Counter[str]()
        clicks = [(font, name) for name in TICKS for font in CLICKS[half]]
        chosen = [one for one in instruments("plucked", half) if one.chords and not one.distorted]
        for number, instrument in enumerate(chosen * again):
            part, grid, places = played(instrument, number)
            tempo = 60 / grid.beat_s(1)
            clean = detect_onsets(ArraySound(part.samples, RATE_HZ))
            whole += score(part, clean.onsets, places) + Counter(false=int(clean.metronome is not None))
            counts = score(part, onsets_with_expected(clean, grid), places)
            counts.update(called_missing(part, clean, grid, places))
            expected += counts
            font, name = clicks[number % len(clicks)]
            found = detect_onsets(ArraySound(with_click(part, tempo, font, TICKS[name]), RATE_HZ))
            bled += score(part, found.onsets, places) + Counter(takes=1)
            is_found = found.metronome is not None and abs(60 / found.metronome.apart_s - tempo) < 0.01
            bled += Counter(found=int(is_found))
            print(f"  {line(instrument.name, counts)}; {font} {name} "
                  f"{'found' if is_found else 'missed'}", flush=True)
        print(line(half, whole) + f"; {whole['false']} false metronomes")
        print(line(f"{half}, on the grid", expected))
        print(line(f"{half}, with a click at {BLEED_DB:g} dBFS", bled) + f"; found {bled['found']} of {bled['takes']}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
