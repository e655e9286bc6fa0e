"""What plays in each layer of a recipe: what it says, otherwise what excerpts of its first takes sound like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from layerpipe.analysis.sustained.features import SustainedFeatures, measure_features
from layerpipe.analysis.sustained.kinds import HeardKind, recognise
from layerpipe.core.sound import Sound
from layerpipe.recipe.model import Layer
from layerpipe.render.takes import OpenTake

EXCERPTS, EXCERPT_S = 4, 5.0
"""Spread over the take: enough notes to tell, and little time."""
LISTENED_TAKES = 2
"""Takes of a layer that are listened to."""


def kinds_of_takes(takes: Sequence[OpenTake]) -> list[HeardKind]:
    """The kind of each take: that of its layer."""
    layers: dict[int, list[OpenTake]] = {}
    for one in takes:
        layers.setdefault(id(one.layer), []).append(one)
    found = {key: kind_of_layer(group[0].layer, [(one.source, one.span) for one in group])
             for key, group in layers.items()}
    return [found[id(one.layer)] for one in takes]


def kind_of_layer(layer: Layer, sounds: Sequence[tuple[Sound, tuple[int, int]]]) -> HeardKind:
    """What plays in a layer.

    Parameters
    ----------
    layer : Layer
    sounds : sequence of (Sound, (start, stop))
        Its takes and the frames between which there is something.

    Returns
    -------
    HeardKind
    """
    if layer.kind is not None:
        return HeardKind(layer.kind)
    heard = recognise([excerpt_features(sound, span) for sound, span in sounds[:LISTENED_TAKES]])
    # What has strings is no voice and no wind.
    return replace(heard, kind="bowed") if layer.strings and heard.is_sustained else heard


def excerpt_features(sound: Sound, span: tuple[int, int]) -> SustainedFeatures:
    """Features of some excerpts of a take, one after the other."""
    start_s, stop_s = (frame / sound.rate_hz for frame in span)
    if stop_s - start_s <= EXCERPTS * EXCERPT_S:
        return measure_features(sound, start_s, stop_s)
    parts = [measure_features(sound, at_s, at_s + EXCERPT_S)
             for at_s in np.linspace(start_s, stop_s - EXCERPT_S, EXCERPTS)]
    return SustainedFeatures(*(np.concatenate([getattr(part, name) for part in parts])
                               for name in ("level_db", "chroma", "mel", "periodicity", "f0_hz", "low_db")))
