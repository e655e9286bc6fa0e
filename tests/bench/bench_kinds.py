"""Kinds of takes, and phrases of voices, bowed strings and winds: python -m tests.bench.bench_kinds [folder].

Is the kind recognised, and do edits bring phrases to the lead?

Sampled voices, bowed strings and winds, plain and (two instruments, in a room) harder; spoken phrases (espeak-ng) and
real singing with planted doubles. The half it was tuned on and the half it never was are printed apart. Rendering takes
some minutes; with a folder as argument, songs are kept there.
"""

from __future__ import annotations

import pickle
import shutil
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import numpy as np

from layerpipe.analysis.sustained.compare import compare_with_lead
from layerpipe.analysis.sustained.edits import PHRASE_EDITS, PhraseEdits, propose_phrase_edits
from layerpipe.analysis.sustained.features import measure_features
from layerpipe.analysis.sustained.kinds import LASTING
from layerpipe.analysis.sustained.layer_kinds import kind_of_sound
from layerpipe.core.sound import ArraySound
from tests.bench.material.outside_instruments import INSTRUMENTS, NEVER_LOOKED_AT, TUNED_ON
from tests.bench.material.outside_material import instruments, recordings, require_folder
from tests.bench.material.sustained_songs import (
    DOUBLED_ON,
    TUNED_ON_SINGER,
    VOICES,
    SustainedPair,
    instrument_pair,
    recorded_pair,
    short_takes,
    spoken_pair,
)

T = TypeVar("T")
MOST_LAG_S = 4.8
"""Two bars at 100 beats per minute."""


@dataclass
class Score:
    """What became of the phrases of some pairs; distances from the lead in ms."""

    before: list[float] = field(default_factory=list)
    after: list[float] = field(default_factory=list)
    pairs: int = 0
    unknown: int = 0
    moved: int = 0
    farther: int = 0
    """Phrases farther from the lead after the edits."""
    harmed: int = 0
    """Phrases farther from the lead after the edits, by more than a frame of the features."""
    cut: int = 0
    """Moves that begin or end inside of a phrase."""

    def add(self, pair: SustainedPair, edits: PhraseEdits) -> None:
        """Count one pair."""
        self.pairs += 1
        self.unknown += not edits.is_known
        for phrase in pair.phrases:
            self.before.append(phrase.distance_ms(lambda at_s: 0.0))
            self.after.append(phrase.distance_ms(lambda at_s: _moved_ms(at_s, edits)))
            self.moved += _moved_ms((phrase.from_s + phrase.to_s) / 2, edits) != 0
            self.farther += self.after[-1] > self.before[-1] + 0.1
            self.harmed += self.after[-1] > self.before[-1] + 10
        cuts = [at_s for move in edits.moves for at_s in (move.from_s, move.to_s)]
        self.cut += sum(phrase.from_s + 0.05 < at_s < phrase.to_s - 0.1 for at_s in cuts for phrase in pair.phrases)

    def row(self) -> str:
        """One line of the table."""
        if not self.before:
            return "--"
        before, after = np.array(self.before), np.array(self.after)
        return (f"{self.pairs:3d} pairs ({self.unknown} unknown), {len(before):3d} phrases; within 30 ms "
                f"{np.mean(before <= 30):.2f} -> {np.mean(after <= 30):.2f}, median {np.median(before):.0f} -> "
                f"{np.median(after):.0f} ms, 95th percentile {np.percentile(before, 95):.0f} -> "
                f"{np.percentile(after, 95):.0f}; {self.moved} moved, {self.farther} farther, {self.harmed} of them by "
                f"over 10 ms, {self.cut} cuts inside")


def _moved_ms(at_s: float, edits: PhraseEdits) -> float:
    """By how much a moment is moved; a note's beginning is moved with the note."""
    return edits.shift_ms + sum(move.by_ms for move in edits.moves if move.from_s <= at_s + 0.02 < move.to_s)


def pairs_of(split: str) -> list[tuple[str, str, Callable[[], SustainedPair]]]:
    """Group, name and maker of every pair of one half."""
    here = {one.name: one for one in instruments(split=split)}
    made: list[tuple[str, str, Callable[[], SustainedPair]]] = []
    for one in here.values():
        if one.kind in LASTING:
            seed = 10 + INSTRUMENTS.index(one)
            made.append((one.kind, one.name, lambda seed=seed, one=one: instrument_pair(one, seed)))
    for n, (one, other) in enumerate(DOUBLED_ON[split]):
        if one in here and other in here:
            made.append((f"{here[one].kind}, two in a room", f"{one}+{other}", lambda n=n, one=one, other=other:
                         instrument_pair(here[one], 110 + n, here[other])))
    if shutil.which("espeak-ng"):
        made += [("spoken", f"spoken {n}", lambda n=n, voices=voices: spoken_pair(voices, split, 60 + n))
                 for n, voices in enumerate(VOICES[split])]
    sung = [one for one in recordings() if one.name.startswith("vocadito") or one.name.endswith("vocals")]
    for n, one in enumerate(one for one in sung if (one.name == TUNED_ON_SINGER) == (split == TUNED_ON)):
        made.append(("real singing", f"sung {n}", lambda n=n, one=one: recorded_pair(one, split, 80 + n)))
    return made


def judge(pair: SustainedPair) -> PhraseEdits:
    """What is proposed for the double."""
    lead, double = (measure_features(ArraySound(sound, pair.rate_hz)) for sound in (pair.lead, pair.double))
    found = compare_with_lead(lead, double, most_lag_s=MOST_LAG_S)
    return propose_phrase_edits(double, found, tolerance_ms=PHRASE_EDITS.tolerance_ms)


def phrases(split: str, kept: Path | None) -> None:
    """The tables of phrases, and of doubles that play something else, of which none may be moved."""
    scores: dict[str, Score] = {}
    unrelated: list[SustainedPair] = []
    for group, name, make in pairs_of(split):
        pair = _kept(kept, f"{split} {name}", make)
        scores.setdefault(group, Score()).add(pair, judge(pair))
        unrelated.append(pair)
    total = Score()
    for group, score in scores.items():
        print(f"  {group:24} {score.row()}")
        for name in ("before", "after", "pairs", "unknown", "moved", "farther", "harmed", "cut"):
            setattr(total, name, getattr(total, name) + getattr(score, name))
    print(f"  {'all':24} {total.row()}")
    known = 0
    for n, pair in enumerate(unrelated):
        other = unrelated[(n + 3) % len(unrelated)]
        lead, double = (measure_features(ArraySound(sound, one.rate_hz)) for sound, one in
                        ((pair.lead, pair), (other.double, other)))
        found = compare_with_lead(lead, double, most_lag_s=MOST_LAG_S)
        known += propose_phrase_edits(double, found, tolerance_ms=PHRASE_EDITS.tolerance_ms).is_known
    print(f"  {len(unrelated)} doubles of another song: {known} judged (none should be)")


def kinds(split: str, kept: Path | None) -> None:
    """How many takes are recognised; plucked and struck count as one."""
    told: dict[str, Counter[str]] = {}
    for name, kind, make in short_takes(split):
        samples, rate_hz = _kept(kept, f"{split} short {name}", make)
        heard = kind_of_sound(ArraySound(samples, rate_hz)).kind
        told.setdefault("plucked or struck" if kind in ("plucked", "struck") else kind, Counter())[heard] += 1
    right = sum(count["plucked" if kind == "plucked or struck" else kind] for kind, count in told.items())
    lasting = sum(sum(count[one] for one in LASTING) if kind in LASTING else count["plucked"]
                  for kind, count in told.items())
    everything = sum(sum(count.values()) for count in told.values())
    for kind, count in told.items():
        print(f"  {kind:18} heard as " + ", ".join(f"{one} {n}" for one, n in count.most_common()))
    print(f"  right: {right} of {everything}; lasting or not: {lasting} of {everything}")


def _kept(place: Path | None, name: str, make: Callable[[], T]) -> T:
    """What was made before, or is made and kept now."""
    if place is None:
        return make()
    path = place / f"{name.replace('/', '_')}.pickle"
    if not path.exists():
        place.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(make()))
    found: T = pickle.loads(path.read_bytes())
    return found


def main(words: Sequence[str]) -> int:
    """Print the tables of both halves."""
    require_folder()
    kept = Path(words[0]) if words else None
    for split in (TUNED_ON, NEVER_LOOKED_AT):
        print(f"{split}: kinds")
        kinds(split, kept)
        print(f"{split}: phrases")
        phrases(split, kept)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
