"""How many lines of a drafted recipe a user must change to have the right one.

A line is what stands on a line of its own where a recipe is written out: a `[[layer]]` or `[[layer.take]]` head, a key,
an entry of `passes` or `mics`. One counts where it is added, deleted or edited; a moved block counts its lines once.
Names of layers, takes and passes are free, but for the octave layer. Drafted takes are held against the wanted ones so
that the least is to be changed; then layers are put right:

take missing          head, name, pan, one line a file, one for its start
take too many         its lines; 1 where it is muted (it does no harm, and is taken out)
take at a wrong pan   1 (within 30 of the middle, or at least 30 to the right side)
take muted, inverted  1 each
start wrong           1 for each pass that begins elsewhere by more than 5 ms (`starts`, `shift_ms`)
passes, microphones   1 for each that is missing or too many, 1 where `file` must become a list or the reverse, 1
                      for `channel` then; 1 for a wrong or missing channel; 1 for each `play` or `comp` of an unknown
                      pass
wrong layer           2 for a layer whose head must be put in before its takes (or with a missing one), the lines of
                      takes that stand apart from the rest of their layer, the lines of a head that must go
octave layer          1 where name or strings do not say so, or say so of another
bed                   2 missing, 1 wrong file, its lines where there is none
tempo, meter, bar 1   1 each where the click track tells it (bar 1 within 10 ms, whole bars aside); a wrong tempo always
time_reference_s      1 if that alone puts the starts right

Not counted, because the ear or another command decides: `play`, `comp`, levels, chains, sections, what is done to a
microphone.
"""

from __future__ import annotations

import itertools
import tomllib
import unicodedata
from collections import Counter
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from tests.support.sessions.session_truth import EITHER, FolderTruth, LayerTruth, TakeTruth

START_S, BAR_ONE_S, TEMPO_SHARE, PAN = 0.005, 0.010, 0.002, 30.0
_NEVER = 10_000
"""Price of taking one take for another with which it shares no file."""
_OCTAVE_WORDS = ("octa", "okta", "ottav", "oitav", "okut", "oct ", "8va", "strung", "sutorang")
"""Parts of the word in the languages of the folders."""


@dataclass(frozen=True)
class _Entry:
    """One file of a drafted take."""

    played: int
    file: str
    channel: int | None
    starts: Any


@dataclass(frozen=True)
class _Drafted:
    """A take of the draft."""

    layer: int
    table: dict[str, Any]

    @property
    def entries(self) -> list[_Entry]:
        """Its files, pass by pass."""
        passes = self.table.get("passes") or [self.table]
        found = []
        for n, played in enumerate(passes):
            for part in played.get("mics") or [played]:
                if "file" in part:
                    found.append(_Entry(n, _plain(part["file"]), part.get("channel", played.get("channel")),
                                        part.get("starts", played.get("starts", self.table.get("starts", 0.0)))))
        return found

    @property
    def lines(self) -> int:
        """Lines of its block."""
        return 1 + sum(_key_lines(value) for value in self.table.values())


def changed_lines(draft_text: str, truth: FolderTruth) -> int:
    """Count the lines between a draft and the right recipe; see above.

    Raises
    ------
    tomllib.TOMLDecodeError
        If the draft is not TOML.
    """
    draft = tomllib.loads(draft_text)
    told = draft.get("song", {}).get("time_reference_s")
    unsided = [layer.name for layer in truth.layers if not layer.sides_told]
    ways = []
    for flips in itertools.product((1, -1), repeat=len(unsided)):
        mirrored = dict(zip(unsided, flips, strict=True))
        ways.append(_layers_and_takes(draft, truth, mirrored, told))
        if told != truth.time_reference_s:
            ways.append(1 + _layers_and_takes(draft, truth, mirrored, truth.time_reference_s))
    return min(ways) + _bed(draft, truth) + _clock(draft, truth)


def _plain(name: str) -> str:
    """A file's own name, composed."""
    return unicodedata.normalize("NFC", PurePosixPath(name.replace("\\", "/")).name)


def _key_lines(value: Any) -> int:
    """Lines a key takes."""
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return len(value)
    return 1 + len(value) if isinstance(value, dict) and value else 1


def _head_lines(layer: dict[str, Any]) -> int:
    """Lines of a layer without its takes."""
    return 1 + sum(_key_lines(value) for key, value in layer.items() if key != "take")


def _layers_and_takes(draft: dict[str, Any], truth: FolderTruth, mirrored: dict[str, int],
                      reference: float | None) -> int:
    """Takes are matched at the least price, then layers by the takes they share."""
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    layers = draft.get("layer", [])
    takes = [_Drafted(n, take) for n, layer in enumerate(layers) for take in layer.get("take", [])]
    wanted = [take for layer in truth.layers for take in layer.takes]
    rows, columns = len(wanted), len(takes)
    price = np.full((rows + columns, rows + columns), float(_NEVER))
    price[rows:, columns:] = 0
    for i, want in enumerate(wanted):
        price[i, columns + i] = _added(want)
        for j, take in enumerate(takes):
            price[i, j] = _edited(want, take, truth, mirrored.get(want.layer, 1), draft, reference)
    for j, take in enumerate(takes):
        price[rows + j, j] = 1 if take.table.get("mute") else take.lines
    pairs = [(int(i), int(j)) for i, j in zip(*linear_sum_assignment(price), strict=True)]
    matched = {j: wanted[i].layer for i, j in pairs if i < rows and j < columns}
    return round(sum(price[i, j] for i, j in pairs)) + _layers(layers, takes, matched, truth)


def _added(want: TakeTruth) -> int:
    """Lines of a take that must be written."""
    alone = len(want.passes) == 1
    return (3 + sum(len(played.sources) for played in want.passes) + (alone and want.passes[0].start_s > 0)
            + any(channel == EITHER for played in want.passes for _, channel in played.sources))


def _edited(want: TakeTruth, take: _Drafted, truth: FolderTruth, mirror: int, draft: dict[str, Any],
            reference: float | None) -> int:
    """Lines to change in a drafted take until it is the wanted one."""
    entries = take.entries
    names = {_plain(file) for played in want.passes for file, _ in played.sources}
    if not any(entry.file in names for entry in entries):
        return _NEVER
    table = take.table
    pan = float(table.get("pan", 0.0))
    right = abs(pan) <= PAN if not want.pan else pan * want.pan * mirror > 0 and abs(pan) >= PAN
    count = (not right) + bool(table.get("mute")) + bool(table.get("invert_polarity"))
    known = {played.get("name") for played in table.get("passes", [])}
    asked = [table.get("play"), *(part.get("pass") for part in table.get("comp", []))]
    count += sum(name not in known for name in asked if name is not None)
    several = len(want.passes) > 1 or len(want.passes[0].sources) > 1
    listed = "passes" in table or "mics" in table
    if several != listed:
        count += 1 + ("channel" in table)
    left_over = list(entries)
    for played in want.passes:
        of_pass = {_plain(file) for file, _ in played.sources}
        mine = [entry for entry in entries if entry.file in of_pass]
        home = Counter(entry.played for entry in mine).most_common(1)[0][0] if mine else -1
        placed_wrong = False
        for file, channel in played.sources:
            fits = [entry for entry in left_over if entry.file == _plain(file) and entry.played == home
                    and (not channel or entry.channel == channel or not several)]
            if not fits:
                count += 1
                continue
            left_over.remove(fits[0])
            allowed = {EITHER: (1, 2), None: (None, 1)}.get(channel, (channel,))
            count += fits[0].channel not in allowed
            at_s = _start_s(fits[0], truth, draft, reference)
            placed_wrong |= at_s is None or abs(at_s + table.get("shift_ms", 0.0) / 1000 - played.start_s) > START_S
        count += placed_wrong
    return count + len(left_over)


def _start_s(entry: _Entry, truth: FolderTruth, draft: dict[str, Any], reference: float | None) -> float | None:
    """Where a drafted file begins; None where its words name none."""
    starts = entry.starts
    if isinstance(starts, int | float):
        return float(starts)
    if starts == "time reference":
        stamps = [file.stamp_s for file in truth.files if _plain(file.name) == entry.file]
        return stamps[0] - reference if stamps and stamps[0] is not None and reference is not None else None
    words = str(starts).split()
    song = draft.get("song", {})
    if len(words) not in (2, 4) or words[0] != "bar" or "tempo" not in song:
        return None
    beats = round(truth.bar_s * truth.tempo / 60)
    beat_s = 60 / float(song["tempo"])
    beat = float(words[3]) if len(words) == 4 else 1.0
    return float(song.get("bar_one_s", 0.0)) + ((int(words[1]) - 1) * beats + beat - 1) * beat_s


@dataclass
class _Run:
    """Takes of one wanted layer that follow each other inside a drafted layer."""

    name: str
    layer: int
    lines: int


def _layers(layers: list[dict[str, Any]], takes: list[_Drafted], matched: dict[int, str], truth: FolderTruth) -> int:
    """Lines that bring every matched take into its layer."""
    runs: list[_Run] = []
    for (layer, name), group in itertools.groupby(sorted(matched), key=lambda j: (takes[j].layer, matched[j])):
        runs.append(_Run(name, layer, sum(takes[j].lines for j in group)))
    count = 0
    alone = Counter(run.layer for run in runs)
    joined: list[_Run] = []
    for run in runs:
        # A layer that only continues the one before it: its head goes.
        if joined and joined[-1].name == run.name and joined[-1].layer != run.layer and alone[run.layer] == 1:
            count += _head_lines(layers[run.layer])
            joined[-1].lines += run.lines
        else:
            joined.append(run)
    gone = {run.layer for run in runs} - {run.layer for run in joined}
    first = {id(run) for n, run in enumerate(joined) if n == 0 or joined[n - 1].layer != run.layer}
    headed: set[int] = set()
    for run in joined:
        # Most of a layer stays where it is; of two halves, the one that has a head.
        rivals = (other for other in joined if other.name == run.name)
        if run is not max(rivals, key=lambda other: (other.lines, id(other) in first)):
            count += run.lines
        elif run.layer in headed:
            count += 2
        else:
            headed.add(run.layer)
            count += _octave_wrong(layers[run.layer], next(one for one in truth.layers if one.name == run.name))
    count += 2 * sum(layer.name not in matched.values() for layer in truth.layers)
    for n, layer in enumerate(layers):
        silent = all(take.table.get("mute") for take in takes if take.layer == n) and bool(layer.get("take"))
        if n not in headed and n not in gone and (n in alone or not silent):
            count += _head_lines(layer)
    return count


def _octave_wrong(drafted: dict[str, Any], layer: LayerTruth) -> bool:
    """Whether a layer says it is an octave up and is not, or the reverse."""
    named = any(word in str(drafted.get("name", "")).casefold() for word in _OCTAVE_WORDS)
    strung = bool(drafted.get("strings")) and drafted["strings"][0] in ("E3", "E4")
    return (named or strung) != layer.octave


def _bed(draft: dict[str, Any], truth: FolderTruth) -> int:
    """Lines of the bed."""
    bed = draft.get("bed")
    if truth.bed is None:
        return 0 if bed is None else 1 + len(bed)
    if bed is None:
        return 2
    return int(_plain(str(bed.get("file", ""))) != _plain(truth.bed))


def _clock(draft: dict[str, Any], truth: FolderTruth) -> int:
    """Lines of tempo, meter and bar 1."""
    song = draft.get("song", {})
    tempo = song.get("tempo")
    wrong = tempo is not None and abs(tempo / truth.tempo - 1) > TEMPO_SHARE
    if truth.click is None:
        return int(wrong)
    off_s = (song.get("bar_one_s", 0.0) - truth.bar_one_s + truth.bar_s / 2) % truth.bar_s - truth.bar_s / 2
    return (wrong or tempo is None) + (song.get("meter", "4/4") != truth.meter) + (abs(off_s) > BAR_ONE_S)
