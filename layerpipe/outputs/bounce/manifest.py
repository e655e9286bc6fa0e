"""What is told of a bounce: every setting used, every measurement, every digest, in one plain document.

Times are seconds, positions frames, levels dB, loudness LUFS (None is "not measurable", -inf silence). Nothing in it
depends on when or where it was made, except the versions of what made it.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe import __version__
from layerpipe.core.json_values import json_value
from layerpipe.core.units import db_of_gain, frames_of_s
from layerpipe.dsp.loudness import steps_inside
from layerpipe.outputs.bounce.stem import PartPeaks, Stem
from layerpipe.recipe.model import Recipe
from layerpipe.render.energies.readings import Blend
from layerpipe.render.song import ProcessedSong, ProcessedTake, Stretch

FORMAT = "layerpipe bounce 1"
_LIBRARIES = ("numpy", "numba", "soundfile", "soxr")


def manifest(song: ProcessedSong, stems: Sequence[Stem], blends: Mapping[str, Blend],
             recipe_sha256: str) -> dict[str, Any]:
    """Describe a finished bounce.

    Parameters
    ----------
    song : ProcessedSong
    stems : sequence of Stem
        As `write_stems` handed them back.
    blends : mapping of path to Blend
        Such as `StemEnergies`.
    recipe_sha256 : str
        Digest of the recipe's bytes.

    Returns
    -------
    dict
        Ready for JSON, save that infinities are floats.
    """
    return {
        "format": FORMAT,
        "song": {**song.recipe.song.model_dump(), "rate_hz": song.rate_hz, "frames": song.frames,
                 "seconds": song.frames / song.rate_hz,
                 "time_reference_frames": frames_of_s(song.recipe.bounce.time_reference_s, song.rate_hz)},
        "recipe": {"file": "recipe.toml", "sha256": recipe_sha256, "settings": settings_of(song.recipe)},
        "sections": [_section(song, part) for part in song.sections],
        "lowered_db": 0.0 if song.scale == 1.0 else db_of_gain(song.scale),
        "sources": [_source(song, processed) for processed in song.takes],
        "muted": [{"layer": layer.name, "take": take.name}
                  for layer in song.recipe.layer for take in layer.take if take.mute],
        "files": [_file(song, stem, blends[stem.path]) for stem in stems],
        "versions": versions(),
    }


def settings_of(recipe: Recipe) -> dict[str, Any]:
    """Every setting of a recipe, also those left out; files by their name alone, for where they lay is nobody's."""
    settings: dict[str, Any] = recipe.model_dump(mode="json", by_alias=True)
    for asked in (*(take for layer in settings["layer"] for take in layer["take"]), settings["bed"] or {}):
        if "file" in asked:
            asked["file"] = Path(asked["file"]).name
    return settings


def seal_of(told: dict[str, Any]) -> str:
    """SHA-256 over a manifest without its seal, in a canonical form: whether a word of it has been changed."""
    words = {name: value for name, value in json_value(told).items() if name != "seal"}
    canonical = json.dumps(words, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(canonical.encode("utf-8", "surrogatepass")).hexdigest()


def versions() -> dict[str, str]:
    """What made the numbers."""
    import importlib.metadata

    found = {name: importlib.metadata.version(name) for name in _LIBRARIES}
    return {"layerpipe": __version__, "python": platform.python_version(), **found}


def figures(song: ProcessedSong, blend: Blend, part: Stretch, peaks: Sequence[PartPeaks]) -> dict[str, Any]:
    """Loudness and peaks of one file in one stretch of the song."""
    inside = [peak for peak in peaks if peak.start >= part.start and peak.stop <= part.stop]
    return {
        "section": None if part.section is None else part.name,
        **asdict(blend.readings(part.start, part.stop)),
        "sample_peak_dbfs": db_of_gain(max((peak.sample for peak in inside), default=0.0)),
        "true_peak_dbtp": db_of_gain(max((peak.true for peak in inside), default=0.0)),
    }


def _section(song: ProcessedSong, part: Stretch) -> dict[str, Any]:
    """One section: bars, place, levels."""
    assert part.section is not None
    return {
        "name": part.name, "bars": part.section.bars,
        "start_frame": part.start, "stop_frame": part.stop,
        "start_s": part.start / song.rate_hz, "stop_s": part.stop / song.rate_hz,
        "levels_db": {layer.name: song.recipe.level_db(layer, part.section) for layer in song.layers},
    }


def _source(song: ProcessedSong, processed: ProcessedTake) -> dict[str, Any]:
    """One take as it came, and everything that was done to it before pan and level."""
    facts, table = processed.source.facts, processed.sound.table()
    return {
        "layer": processed.layer.name, "take": processed.take.name, "file": facts.path.name,
        "sha256": processed.source.digest,
        "container": facts.container, "subtype": facts.subtype, "bits": facts.bits, "channels": facts.channels,
        "channel": processed.take.channel or 1, "rate_hz": facts.rate_hz, "frames": facts.frames,
        "converted_from_hz": processed.source.rate_converted_from,
        "padded_frames": max(0, song.frames - round(facts.frames * song.rate_hz / facts.rate_hz)),
        "chain": song.recipe.chain_of(processed.layer, processed.take).model_dump(mode="json"),
        "threshold_db": processed.threshold_db,
        "reduction": [_reduction(song, table, part) for part in (song.whole, *song.sections)],
        "moves": [{**asdict(move), "from_s": move.start / song.rate_hz, "to_s": move.stop / song.rate_hz,
                   "by_ms": 1000 * move.by / song.rate_hz,
                   "from": song.tempo_map.text_of(move.start / song.rate_hz),
                   "to": song.tempo_map.text_of(move.stop / song.rate_hz)} for move in processed.moves],
        "gain_db": processed.take.gain_db, "invert_polarity": processed.take.invert_polarity, "pan": processed.take.pan,
        "notes": processed.take.notes,
    }


def _reduction(song: ProcessedSong, table: npt.NDArray[np.float32], part: Stretch) -> dict[str, Any]:
    """What the compressor did in one stretch: dB, and the share of time above 0.5 dB."""
    first, stop = steps_inside(part.start, part.stop, song.rate_hz)
    largest, mean, busy = table[:, first:stop]
    heard = len(largest) > 0
    return {
        "section": None if part.section is None else part.name,
        "largest_db": float(largest.max()) if heard else 0.0,
        "mean_db": float(mean.mean()) if heard else 0.0,
        "share_above_half_db": float(busy.mean()) if heard else 0.0,
    }


def _file(song: ProcessedSong, stem: Stem, blend: Blend) -> dict[str, Any]:
    """One stem."""
    return {
        "path": stem.path, "kind": stem.kind, "layer": stem.layer, "take": stem.take, "channels": stem.channels,
        "rate_hz": song.rate_hz, "frames": song.frames, "bit_depth": song.recipe.bounce.bit_depth,
        "sha256": stem.sha256, **{key: value for key, value in figures(song, blend, song.whole, stem.peaks).items()
                                  if key != "section"},
        "sections": [figures(song, blend, part, stem.peaks) for part in song.sections],
    }
