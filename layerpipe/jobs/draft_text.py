"""The text of a drafted recipe: what was understood of a folder, and in comments what is not certain."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

from layerpipe.analysis.folder.understood import (
    DraftedLayer,
    DraftedTake,
    FolderFile,
    Performance,
    Source,
    Start,
    Understood,
)
from layerpipe.analysis.sustained.kinds import HeardKind
from layerpipe.core.text import one_line
from layerpipe.recipe.edit.toml_text import toml_text
from layerpipe.recipe.model.types import TIME_REFERENCE
from layerpipe.recipe.tempo_map import seconds_text

OCTAVE_LEVEL_DB = -9.0


def draft_text(understood: Understood, kinds: Mapping[str, HeardKind], folder: str, home: Path) -> str:
    """Write the recipe of an understood folder.

    Parameters
    ----------
    understood : Understood
    kinds : mapping of HeardKind
        What was heard in each layer, by its name.
    folder : str
        Name of the folder, for the title.
    home : Path
        The folder of the recipe; its files are named relative to it.

    Returns
    -------
    str
    """
    return "\n".join(_lines(understood, kinds, folder, home)) + "\n"


def relative(home: Path, path: Path) -> str:
    """A file as a recipe in `home` names it: links in folders followed, forward slashes."""
    return Path(os.path.relpath(Path(os.path.realpath(path.parent)) / path.name, home)).as_posix()


def place_text(start: Start) -> str:
    """The value of `starts`; empty at the start of the song."""
    if start.by_stamp:
        return f'"{TIME_REFERENCE}"'
    return f"{start.seconds:g}" if start.seconds else ""


def _lines(understood: Understood, kinds: Mapping[str, HeardKind], folder: str, home: Path) -> Iterator[str]:
    """The recipe, line by line."""
    layers = understood.layers
    title = " ".join(word[0].upper() + word[1:] for word in re.split(r"[\s_-]+", folder) if word)[:200] or "Untitled"
    yield "# A starting recipe, from the names, the headers and a quick hearing of the files."
    yield "# Check names, pans and levels. Lines that begin with # do nothing until the # is removed."
    for remark in understood.remarks:
        yield f"# {remark}"
    for skip in understood.skipped:
        yield f"# skipped: {one_line(relative(home, skip.file))}: {one_line(skip.why)}"
    yield ""
    yield "[song]"
    yield f"title = {toml_text(title)}"
    yield 'artist = ""'
    yield from _clock_lines(understood, home)
    rates = Counter(source.file.rate_hz for take in understood.takes for one in take.passes for source in one.sources)
    if len(rates) > 1:
        yield f"sample_rate_hz = {rates.most_common(1)[0][0]}   # takes at another rate are converted"
    if understood.time_reference_s is not None:
        yield f"time_reference_s = {understood.time_reference_s!r}   # time stamp of the song's start"
    yield ""
    yield "# Sections need a tempo."
    yield "# [[section]]"
    yield '# name = "verse"'
    yield "# bars = [1, 8]     # first and last, both included"
    yield f"# levels_db = {{ {layers[-1].name} = -12.0 }}" if layers[-1].name.isalnum() else "# levels_db = {}"
    if understood.bed is not None:
        yield from ["", "[bed]               # for listening only; never part of the stems"]
        yield f"file = {toml_text(relative(home, understood.bed.path))}   # {_facts_text(understood.bed)}"
        if place := place_text(understood.bed_start):
            yield f"starts = {place}"
        if understood.bed_start.unsure:
            yield f"# not certain: {one_line(understood.bed_start.unsure)}"
        yield "gain_db = 0.0"
    for layer in layers:
        yield from _layer_lines(layer, kinds[layer.name], home, under=layer.octave and len(layers) > 1)


def _clock_lines(understood: Understood, home: Path) -> Iterator[str]:
    """Tempo, meter and bar 1, or how they are written."""
    clock = understood.clock
    if clock is None:
        yield "# tempo = 100.0     # beats per minute; in 6/8, 9/8 and 12/8 a beat is a dotted note, see beat_note"
        yield '# meter = "4/4"'
        yield "# bar_one_s = 0.0   # seconds from the start of the song to the downbeat of bar 1"
        return
    yield f"tempo = {clock.tempo:g}   # from {one_line(relative(home, clock.click.path))}"
    if clock.meter is None:
        yield '# meter = "4/4"     # the click track has no accents that show it'
    else:
        yield f'meter = "{clock.meter}"'
    yield f"bar_one_s = {clock.bar_one_s:g}"


def _layer_lines(layer: DraftedLayer, kind: HeardKind, home: Path, *, under: bool) -> Iterator[str]:
    """One layer and its takes."""
    yield from ["", "", "[[layer]]", f"name = {toml_text(layer.name)}"]
    if layer.remark:
        yield f"# {layer.remark}"
    yield f'# kind = "{kind.kind}"   # {kind.words}; without a kind it is heard anew each time'
    yield f"level_db = {OCTAVE_LEVEL_DB}     # to begin with; decide by ear" if under else "level_db = 0.0"
    yield "# [layer.chain]     # for every take of the layer"
    yield "# high_pass = [{ hz = 40 }]"
    for take in layer.takes:
        yield from _take_lines(take, home)


def _take_lines(take: DraftedTake, home: Path) -> Iterator[str]:
    """One take."""
    yield from ["", "[[layer.take]]", f"name = {toml_text(take.name)}"]
    for remark in take.remarks:
        yield f"# {one_line(remark)}"
    if len(take.passes) > 1:
        yield "passes = ["
        for one in take.passes:
            yield f"  {{ {_pass_text(one, home)} }},   # {_facts_text(one.file)}"
        yield "]"
    elif len(take.passes[0].sources) > 1:
        yield "mics = ["
        for source in take.passes[0].sources:
            yield f"  {{ {_source_text(source, home)} }},   # {_facts_text(source.file)}"
        yield "]"
    else:
        file = take.passes[0].file
        yield f"file = {toml_text(relative(home, file.path))}   # {_facts_text(file)}"
        if file.channels > 1:
            yield f"channel = {take.passes[0].sources[0].channel}         # of {file.channels}; a take is one channel"
    if len(take.passes) == 1 and place_text(take.passes[0].start):
        yield f"starts = {place_text(take.passes[0].start)}"
    yield f"pan = {take.pan:g}"
    for reason in take.unsure:
        yield f"# not certain: {one_line(reason)}"
    if take.muted:
        yield "mute = true         # remove this line if the take is right"


def _pass_text(one: Performance, home: Path) -> str:
    """One pass as an inline table."""
    if len(one.sources) > 1:
        mics = ", ".join(f"{{ {_source_text(source, home)} }}" for source in one.sources)
        sound = f"mics = [{mics}]"
    else:
        sound = _source_text(one.sources[0], home)
    place = place_text(one.start)
    return f"name = {toml_text(one.name)}, {sound}{f', starts = {place}' if place else ''}"


def _source_text(source: Source, home: Path) -> str:
    """A file and its channel."""
    channel = "" if source.channel is None else f", channel = {source.channel}"
    return f"file = {toml_text(relative(home, source.file.path))}{channel}"


def _facts_text(file: FolderFile) -> str:
    """Length and rate of a file."""
    return f"{seconds_text(file.seconds)} long, {file.rate_hz / 1000:g} kHz"
