"""What plays in each layer of a recipe: what it says, otherwise what excerpts of its first take sound like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from layerpipe.analysis.sustained.features import SustainedFeatures, measure_features
from layerpipe.analysis.sustained.kinds import HeardKind, recognise
from layerpipe.core.listening import Ask, Question, listen_anew
from layerpipe.core.sound import Sound
from layerpipe.recipe.model.recipe import Layer
from layerpipe.render.takes.open_takes import OpenTake


@dataclass(frozen=True)
class ExcerptSettings:
    """What is listened to in order to tell a kind: enough notes, and little time."""

    count: int = 4
    length_s: float = 4.0
    probe_s: float = 0.05  # read once a second to find out where something sounds
    under_loud_db: float = 20.0  # excerpts are taken where it is no softer than this


EXCERPTS = ExcerptSettings()


def kinds_of_takes(takes: Sequence[OpenTake], ask: Ask = listen_anew) -> list[HeardKind]:
    """The kind of each take: that of its layer."""
    found: dict[str, HeardKind] = {}
    for one in takes:
        if one.layer.name not in found:
            found[one.layer.name] = kind_of_layer(one.layer, one.source, one.span, ask)
    return [found[one.layer.name] for one in takes]


def kind_questions(takes: Sequence[OpenTake]) -> list[Question]:
    """What `kinds_of_takes` asks."""
    first = {one.layer.name: one for one in reversed(takes)}
    return [Question(kind_of_sound, one.source, (one.span,)) for one in first.values() if one.layer.kind is None]


def kind_of_layer(layer: Layer, sound: Sound, span: tuple[int, int], ask: Ask = listen_anew) -> HeardKind:
    """What plays in a layer.

    Parameters
    ----------
    layer : Layer
    sound : Sound
        Its first take.
    span : (start, stop)
        Frames between which there is something.
    ask : Ask
        Who listens.

    Returns
    -------
    HeardKind
    """
    if layer.kind is not None:
        return HeardKind(layer.kind)
    heard = ask(kind_of_sound, sound, span)
    # What has strings is no voice and no wind.
    return replace(heard, kind="bowed") if layer.strings and heard.is_sustained else heard


def kind_of_sound(sound: Sound, span: tuple[int, int] | None = None) -> HeardKind:
    """What plays in a sound, by excerpts of it."""
    first_s, last_s = (frame / sound.rate_hz for frame in span or (0, sound.frames))
    length_s = EXCERPTS.length_s
    if last_s - first_s <= EXCERPTS.count * length_s:
        return recognise([measure_features(sound, first_s, last_s)])
    starts_s = np.arange(first_s, last_s - length_s, length_s)
    levels_db = np.array([_level_db(sound, at_s) for at_s in starts_s])
    sounding = starts_s[levels_db >= np.percentile(levels_db, 90) - EXCERPTS.under_loud_db]
    chosen = sounding[np.unique(np.linspace(0, len(sounding) - 1, EXCERPTS.count).round().astype(int))]
    parts = [measure_features(sound, at_s, at_s + length_s) for at_s in chosen]
    return recognise([SustainedFeatures(*(np.concatenate([getattr(part, one.name) for part in parts])
                                          for one in fields(SustainedFeatures)))])


def _level_db(sound: Sound, at_s: float) -> float:
    """Level of an excerpt, from a short piece of every second of it."""
    starts = [round((at_s + n) * sound.rate_hz) for n in range(int(EXCERPTS.length_s))]
    frames = round(EXCERPTS.probe_s * sound.rate_hz)
    power = np.mean([np.mean(sound.read(start, min(start + frames, sound.frames)) ** 2) for start in starts])
    return float(10 * np.log10(power + 1e-12))
