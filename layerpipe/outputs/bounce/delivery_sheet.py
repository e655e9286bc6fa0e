"""The documents of a bounce: manifest, recipe as it was, delivery sheet.

The sheet's text is written from the manifest alone; its charts are drawn elsewhere. JSON has sorted keys, infinities as
strings, and no clock. All text from a recipe is escaped.
"""

from __future__ import annotations

import functools
import hashlib
import json
import logging
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from layerpipe.core.json_values import json_value
from layerpipe.outputs.bounce.manifest import MANIFEST, checksum_of_manifest
from layerpipe.outputs.drawing.palette import INK
from layerpipe.outputs.drawing.pdf import find_chromium, print_pdf
from layerpipe.outputs.drawing.svg import true_minus
from layerpipe.outputs.settings_text import chain_words, pan_words, take_words

if TYPE_CHECKING:
    from layerpipe.outputs.bounce.charts import Charts

RECIPE, DELIVERY, DELIVERY_PDF = "recipe.toml", "delivery.html", "delivery.pdf"
_LAYERS_BESIDE_PLACES, _LAYERS_A_TABLE, _FILES_A_TABLE = 3, 7, 5
"""Columns of figures that fit A4 across; more go into a further table."""
_DITHER_STEPS = 3
"""Two steps of dither and what lies between samples: a file whose peak is lower holds no sound."""
_NOTES = {"1": "whole note", "3/4": "dotted half note", "1/2": "half note", "3/8": "dotted quarter note",
          "1/4": "quarter note", "3/16": "dotted eighth note", "1/8": "eighth note",
          "3/32": "dotted sixteenth note", "1/16": "sixteenth note"}


def write_documents(folder: Path, manifest: dict[str, Any], recipe_text: str, charts: Charts, *,
                    pdf: bool = False) -> dict[str, Any]:
    """Write recipe, delivery sheet and manifest into the folder of a bounce.

    Parameters
    ----------
    folder : Path
    manifest : dict
    recipe_text : str
    charts : Charts
        For the sheet.
    pdf : bool
        Also print the sheet; without a Chromium browser a warning is logged instead.

    Returns
    -------
    dict
        The manifest as it was written: with the documents' checksums and its own.

    Raises
    ------
    OutputError
        If the sheet cannot be printed.
    """
    documents = {RECIPE: recipe_text.encode(), DELIVERY: delivery_sheet(manifest, charts).encode()}
    for name, content in documents.items():
        (folder / name).write_bytes(content)
    if pdf and (program := find_chromium()) is not None:
        print_pdf(folder / DELIVERY, folder / DELIVERY_PDF, program)
        documents[DELIVERY_PDF] = (folder / DELIVERY_PDF).read_bytes()
    elif pdf:
        logging.getLogger("layerpipe").warning(
            "no Chromium browser found, so %s was not printed; print %s from any browser, or name one in "
            "LAYERPIPE_CHROMIUM", DELIVERY_PDF, DELIVERY)
    written = {**manifest, "documents": [{"path": name, "sha256": hashlib.sha256(content).hexdigest()}
                                         for name, content in documents.items()]}
    written["manifest_sha256"] = checksum_of_manifest(written)
    text = json.dumps(json_value(written), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (folder / MANIFEST).write_text(text + "\n", "utf-8")
    return written


def files_of_bounce(folder: Path) -> Sequence[str] | None:
    """Every file that a bounce lists as its own, relative, with slashes; None if the folder is not a bounce."""
    from layerpipe.outputs.bounce.manifest_model import read_manifest

    try:
        manifest, _ = read_manifest(folder / MANIFEST)
    except (OSError, ValueError):
        return None
    return [MANIFEST, RECIPE, DELIVERY, *manifest.paths]


def delivery_sheet(manifest: dict[str, Any], charts: Charts) -> str:
    """The delivery sheet: what each file is, in one printable page."""
    layers = list(manifest["sections"][0]["levels_db"]) if manifest["sections"] else []
    beside, more = layers[:_LAYERS_BESIDE_PLACES], layers[_LAYERS_BESIDE_PLACES:]
    mixed = [file for file in manifest["files"] if file["kind"] != "take"]
    return str(_template().render(
        manifest=manifest, song=manifest["song"], charts=charts, ink=INK, bits=_bit_depth(manifest),
        level_tables=[beside, *_pieces(more, _LAYERS_A_TABLE)], loudness_tables=list(_pieces(mixed, _FILES_A_TABLE)),
        tempo=[{**row, "note": _NOTES.get(row["beat_note"], row["beat_note"])} for row in manifest["tempo"]],
        takes=[_take(source) for source in manifest["sources"]]))


def prepare_template() -> None:
    """Load the template, while something else is being done."""
    _template()


@functools.cache
def _template() -> Any:
    """The sheet's template; everything put into it is escaped, except the charts."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    templates = Environment(loader=PackageLoader("layerpipe.outputs.bounce", ""), autoescape=True,
                            undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    templates.filters.update(number=number_words, clock=clock_words, grouped=_grouped, loudness=_loudness_words,
                             level=_level_words, tempo=lambda value: f"{value:.6g}", take=take_words)
    return templates.get_template("delivery.html")


def number_words(value: float | None, places: int = 1) -> str:
    """A number with a true minus sign; a dash for what cannot be measured."""
    if value is None or math.isnan(value):
        return "\u2013"
    if math.isinf(value):
        return "\u2212\u221e" if value < 0 else "\u221e"
    words = f"{value:.{places}f}"
    return "\u2212" + words[1:] if words.startswith("-") and float(words) else words.lstrip("-")


def clock_words(seconds: float, *, hours: bool = False) -> str:
    """A moment as minutes, seconds and thousandths; with hours for a time of day."""
    thousandths = math.floor(abs(seconds) * 1000 + 0.5)
    minutes, rest = divmod(thousandths, 60_000)
    sign = "\u2212" if seconds < 0 and thousandths else ""
    if hours:
        return f"{sign}{minutes // 60:02d}:{minutes % 60:02d}:{rest / 1000:06.3f}"
    return f"{sign}{minutes}:{rest / 1000:06.3f}"


def _loudness_words(measured: dict[str, Any], bits: int, *, peak: bool = False) -> str:
    """Loudness of a file or section, with its true peak after a slash if wanted; "silence" if there is no sound."""
    peak_db, silent_below_db = measured["true_peak_dbtp"], 20 * math.log10(_DITHER_STEPS / (1 << (bits - 1)))
    loud = measured["integrated_lufs"]
    if peak_db < silent_below_db and not (loud is not None and math.isfinite(loud)):
        return "silence"
    return number_words(loud) + (f" / {number_words(peak_db)}" if peak else "")


def _level_words(level_db: float) -> str:
    """A layer's level in a section."""
    return "off" if level_db == -math.inf else number_words(level_db)


def _bit_depth(manifest: dict[str, Any]) -> int:
    """Of all files."""
    return int(manifest["files"][0]["bit_depth"])


def _grouped(number: int) -> str:
    """A count with thin spaces between its thousands."""
    return f"{number:,}".replace(",", "\u202f")


def _pieces(items: list[Any], size: int) -> Iterator[list[Any]]:
    """A list in pieces of at most `size`."""
    return (items[at : at + size] for at in range(0, len(items), size))


def _files_words(source: dict[str, Any]) -> list[str]:
    """Where the files of a take begin, its microphones, and which pass is heard where."""
    files, comp = source["files"], source["comp"]
    if len(files) == 1:
        only = files[0]
        return [f"begins at {only['starts']} ({only['starts_s']:.6g} s)"] if only["starts_s"] else []
    words = []
    for part in files:
        named = f"pass {part['pass']}: " if comp else ""
        words.append(f"{named}{part['file']}, channel {part['channel']}, begins at {part['starts_s']:.6g} s"
                     + (f", {part['gain_db']:+.1f} dB" if part["gain_db"] else "")
                     + (", polarity inverted" if part["invert_polarity"] else ""))
    return words + [f"{part['from']} to {part['to']}: pass {part['pass']}" for part in comp]


def _take(source: dict[str, Any]) -> dict[str, Any]:
    """A take in words: its source file and what was done to it."""
    origin = [f"{source['container']}, {source['bits'] or 'float'}{'-bit' if source['bits'] else ''}, "
              f"{_grouped(source['rate_hz'])} Hz"]
    if source["channels"] > 1:
        origin.append(f"channel {source['channel']} of {source['channels']}")
    if source["converted_from_hz"]:
        origin.append(f"converted from {_grouped(source['converted_from_hz'])} Hz")
    if source["padded_frames"]:
        origin.append(f"followed by {_grouped(source['padded_frames'])} samples of silence")
    origin += _files_words(source)
    chain = chain_words(source["chain"])
    compressor = source["chain"].get("compressor")
    whole = source["reduction"][0]
    if compressor is not None:
        if compressor["threshold_db"] is None and source["threshold_db"] is not None:
            chain.append(f"threshold (calculated): {source['threshold_db']:.1f} dB")
        chain.append(f"gain reduction: {whole['largest_db']:.1f} dB max., {whole['mean_db']:.1f} dB on average")
    placed = [f"pan: {pan_words(source['pan'])}"]
    if source["gain_db"]:
        placed.insert(0, f"gain: {source['gain_db']:+.1f} dB")
    if source["invert_polarity"]:
        placed.append("polarity inverted")
    edits = [f"edit: {move['from']} to {move['to']}, {abs(move['by_ms']):.1f} ms "
             f"{'later' if move['by'] > 0 else 'earlier'}" for move in source["moves"]]
    return {"name": take_words(source["layer"], source["take"]), "file": source["file"], "origin": "; ".join(origin),
            "notes": source["notes"], "settings": [true_minus(words) for words in (*chain, *placed)], "edits": edits,
            "sha256": source["sha256"]}
