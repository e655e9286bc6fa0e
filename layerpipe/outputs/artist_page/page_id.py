"""Which state of a song a page was made from, so that an answer to an older one is noticed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from msgspec.structs import asdict

from layerpipe.recipe.model.recipe import Layer, Noun, Pass, Recipe


def page_id(recipe: Recipe, digest_of: Callable[[Path], str]) -> str:
    """Identify takes, bars and reference level of a song.

    Levels of the layers with a slider are not part of it: the answer repeats those one by one. Names of files, title
    and outputs may change.

    Parameters
    ----------
    recipe : Recipe
        With paths that can be opened.
    digest_of : function
        SHA-256 of a file.

    Returns
    -------
    str
        16 hexadecimal digits.
    """
    layers = []
    for layer in recipe.layer:
        takes = [_without(take, "file", "notes", "mics", "passes", "starts", "shift_ms")
                 | {"passes": [_pass(one, digest_of) for one in take.every_pass],
                    "chain": recipe.chain_of(layer, take)}
                 for take in layer.take if not take.mute]
        if takes:
            layers.append({"name": layer.name, "takes": takes})
    reference = reference_layer(recipe)
    state = {
        "song": _without(recipe.song, "title", "artist", "a4_hz"),
        "tempo": recipe.tempo,
        "sections": [[section.name, section.bars, f"{recipe.level_db(reference, section):.2f}"]
                     for section in recipe.section],
        "reference": [reference.name, f"{reference.level_db:.2f}"],
        "layers": layers,
        "bed": None if recipe.bed is None else [digest_of(recipe.bed.file), recipe.bed.gain_db,
                                                *([recipe.bed.starts] if recipe.bed.starts else [])],
    }
    return hashlib.sha256(json.dumps(state, sort_keys=True, default=asdict).encode()).hexdigest()[:16]


def _pass(one: Pass, digest_of: Callable[[Path], str]) -> dict[str, Any]:
    """What a pass sounds like, whatever its files are called."""
    return {"name": one.name, "starts": one.starts, "shift_ms": one.shift_ms,
            "move": one.move,
            "mics": [_without(mic, "file") | {"digest": digest_of(mic.file)} for mic in one.every_mic]}


def _without(noun: Noun, *keys: str) -> dict[str, Any]:
    """A table without some of its keys."""
    return {key: value for key, value in asdict(noun).items() if key not in keys}


def reference_layer(recipe: Recipe) -> Layer:
    """The layer without a slider: the first one in which a take is not muted."""
    return next((layer for layer in recipe.layer if any(not take.mute for take in layer.take)), recipe.layer[0])
