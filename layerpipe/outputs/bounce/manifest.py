"""The manifest of a bounce: every setting, measurement and checksum, in one document.

Times are seconds, positions frames, levels dB, loudness LUFS (None is "not measurable", -inf silence). Measurements are
rounded to a millionth: their last bits depend on the processor and its linear algebra. Nothing depends on when or where
the bounce was made, except the versions of what made it.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import to_builtins
from msgspec.structs import asdict

from layerpipe import __version__
from layerpipe.core.json_values import json_value
from layerpipe.core.units import db_of_gain, frames_of_s
from layerpipe.dsp.loudness.bs1770 import steps_inside
from layerpipe.outputs.bounce.stem import PartPeaks, Stem
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.render.energies.readings import Blend
from layerpipe.render.song import ProcessedSong, ProcessedTake, SongPart
from layerpipe.render.takes.passes import OpenPass

FORMAT = "layerpipe bounce 2"
MANIFEST = "bounce.json"
_DECIMALS = 6
_LIBRARIES = ("numpy", "numba", "soundfile", "soxr")


def describe_bounce(song: ProcessedSong, stems: Sequence[Stem], blends: Mapping[str, Blend],
                    recipe_sha256: str) -> dict[str, Any]:
    """Describe a finished bounce.

    Parameters
    ----------
    song : ProcessedSong
    stems : sequence of Stem
        From `write_stems`.
    blends : mapping of path to Blend
        Each stem's energies, such as `StemEnergies`.
    recipe_sha256 : str
        Checksum of the recipe's bytes.

    Returns
    -------
    dict
        Ready for JSON, except that infinities are floats; without documents and its own checksum.
    """
    return {
        "format": FORMAT,
        "song": {**to_builtins(song.recipe.song), "rate_hz": song.rate_hz, "frames": song.frames,
                 "seconds": song.frames / song.rate_hz,
                 "time_reference_frames": frames_of_s(song.recipe.stem_time_reference_s, song.rate_hz)},
        "tempo": _tempo_changes(song),
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
    """Every setting of a recipe, defaults included; files by name only, since their folder is private."""
    settings: dict[str, Any] = to_builtins(recipe, enc_hook=str)
    takes = [take for layer in settings["layer"] for take in layer["take"]]
    passes = [one for take in takes for one in take["passes"]]
    mics = [mic for owner in (*takes, *passes) for mic in owner["mics"]]
    for asked in (*takes, *passes, *mics, settings["bed"] or {}):
        if asked.get("file"):
            asked["file"] = Path(asked["file"]).name
    return settings


def checksum_of_manifest(manifest: dict[str, Any]) -> str:
    """SHA-256 over a manifest in a canonical form, without the key that holds it."""
    content = {name: value for name, value in json_value(manifest).items() if name != "manifest_sha256"}
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(canonical.encode("utf-8", "surrogatepass")).hexdigest()


def versions() -> dict[str, str]:
    """Versions of what made the numbers."""
    import importlib.metadata

    found = {name: importlib.metadata.version(name) for name in _LIBRARIES}
    return {"layerpipe": __version__, "python": platform.python_version(), **found}


def _measurements(blend: Blend, part: SongPart, peaks: Sequence[PartPeaks]) -> dict[str, Any]:
    """Loudness and peaks of one file in one part of the song."""
    inside = [peak for peak in peaks if peak.start >= part.start and peak.stop <= part.stop]
    return _rounded({
        **vars(blend.readings(part.start, part.stop)),
        "sample_peak_dbfs": db_of_gain(max((peak.sample for peak in inside), default=0.0)),
        "true_peak_dbtp": db_of_gain(max((peak.true for peak in inside), default=0.0)),
    })


def _rounded(measured: dict[str, Any]) -> dict[str, Any]:
    """Measurements without the last bits, and without a negative zero."""
    return {name: round(value, _DECIMALS) + 0.0 if isinstance(value, float) else value
            for name, value in measured.items()}


def _tempo_changes(song: ProcessedSong) -> list[dict[str, Any]]:
    """Tempo and meter of bar 1 and of every change; empty for a song without a tempo."""
    if not song.tempo_map.has_grid:
        return []
    rows = []
    for bar in (1, *(change.from_bar for change in song.recipe.tempo)):
        shape, beat_s = song.tempo_map.meter_at(bar), song.tempo_map.beat_s(bar)
        rows.append(_rounded({"from_bar": bar, "at_s": song.tempo_map.downbeat_s(bar), "meter": shape.meter,
                              "beat_note": str(Fraction(shape.beat_notes).limit_denominator(128)),
                              "tempo": 60 / beat_s, "quarter_note_tempo": 60 / beat_s * shape.beat_notes * 4}))
    return rows


def _section(song: ProcessedSong, part: SongPart) -> dict[str, Any]:
    """One section: bars, place, levels."""
    assert part.section is not None
    return {
        "name": part.name, "bars": part.section.bars,
        "start_frame": part.start, "stop_frame": part.stop,
        "start_s": part.start / song.rate_hz, "stop_s": part.stop / song.rate_hz,
        "levels_db": {layer.name: song.recipe.level_db(layer, part.section) for layer in song.layers},
    }


def _source(song: ProcessedSong, processed: ProcessedTake) -> dict[str, Any]:
    """One take: its source file, and everything done to it before pan and level."""
    facts, table = processed.source.facts, processed.sound.table()
    return {
        "layer": processed.layer.name, "take": processed.take.name, "file": facts.path.name,
        "sha256": processed.source.main.digest,
        "container": facts.container, "subtype": facts.subtype, "bits": facts.bits, "channels": facts.channels,
        "channel": processed.source.main.mic.channel or 1, "rate_hz": facts.rate_hz, "frames": facts.frames,
        "converted_from_hz": processed.source.main.rate_converted_from,
        "padded_frames": song.frames - processed.source.span[1],
        "files": [_source_file(song, one, mic) for number in processed.source.comp.sounding
                  for one in [processed.source.passes[number]] for mic in range(len(one.mics))],
        "comp": _comp(song, processed),
        "chain": to_builtins(song.recipe.chain_of(processed.layer, processed.take)),
        "threshold_db": processed.threshold_db,
        "reduction": [_reduction(song, table, part) for part in (song.whole, *song.sections)],
        "moves": [{**asdict(move), "from_s": move.start / song.rate_hz, "to_s": move.stop / song.rate_hz,
                   "by_ms": 1000 * move.by / song.rate_hz,
                   "from": song.tempo_map.text_of(move.start / song.rate_hz),
                   "to": song.tempo_map.text_of(move.stop / song.rate_hz)} for move in processed.moves],
        "gain_db": processed.take.gain_db, "invert_polarity": processed.take.invert_polarity, "pan": processed.take.pan,
        "notes": _notes(processed),
    }


def _notes(processed: ProcessedTake) -> dict[str, str]:
    """The notes on a take and on those of its passes that are heard."""
    heard = [processed.source.passes[number].one for number in processed.source.comp.sounding]
    of_passes = {f"pass {one.name}, {name}": note for one in heard for name, note in one.notes.items()}
    return processed.take.notes | of_passes


def _source_file(song: ProcessedSong, one: OpenPass, number: int) -> dict[str, Any]:
    """One file of a pass, and where in the song it begins."""
    mic = one.mics[number]
    return {
        "pass": one.one.name, "mic": number + 1, "file": mic.facts.path.name, "sha256": mic.digest,
        "channel": mic.mic.channel or 1, "rate_hz": mic.facts.rate_hz, "starts_frame": mic.place.frame,
        "starts_s": round(mic.place.frames / song.rate_hz, 9),
        "starts": song.tempo_map.text_of(mic.place.frames / song.rate_hz),
        "gain_db": mic.mic.gain_db, "invert_polarity": mic.mic.invert_polarity,
    }


def _comp(song: ProcessedSong, processed: ProcessedTake) -> list[dict[str, Any]]:
    """Which pass is heard where; empty for a take in which only one is."""
    source = processed.source
    if not source.comp.joints:
        return []
    return [{"pass": source.passes[number].one.name, "from_frame": start, "to_frame": stop,
             "from": song.tempo_map.text_of(start / song.rate_hz), "to": song.tempo_map.text_of(stop / song.rate_hz)}
            for start, stop, number in source.comp.spans(song.frames)]


def _reduction(song: ProcessedSong, table: npt.NDArray[np.float32], part: SongPart) -> dict[str, Any]:
    """Gain reduction of the compressor in one part: dB, and the share of time above 0.5 dB."""
    first, stop = steps_inside(part.start, part.stop, song.rate_hz)
    largest, mean, busy = table[:, first:stop]
    any_steps = len(largest) > 0
    return _rounded({
        "section": None if part.section is None else part.name,
        "largest_db": float(largest.max()) if any_steps else 0.0,
        "mean_db": float(mean.mean()) if any_steps else 0.0,
        "share_above_half_db": float(busy.mean()) if any_steps else 0.0,
    })


def _file(song: ProcessedSong, stem: Stem, blend: Blend) -> dict[str, Any]:
    """One stem."""
    return {
        "path": stem.path, "kind": stem.kind, "layer": stem.layer, "take": stem.take, "channels": stem.channels,
        "rate_hz": song.rate_hz, "frames": song.frames, "bit_depth": song.recipe.bounce.bit_depth,
        "sha256": stem.sha256, **_measurements(blend, song.whole, stem.peaks),
        "sections": [{"section": part.name, **_measurements(blend, part, stem.peaks)} for part in song.sections],
    }
