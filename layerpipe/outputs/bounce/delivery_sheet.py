"""The papers of a bounce: manifest, recipe as it was, delivery sheet.

The sheet's words are written from the manifest alone; its pictures are drawn elsewhere. JSON has sorted keys,
infinities as strings, and no clock. Whatever comes from a recipe is escaped.
"""

from __future__ import annotations

import functools
import hashlib
import json
import logging
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from layerpipe.core.json_values import json_value
from layerpipe.outputs.bounce.manifest import FORMAT, seal_of
from layerpipe.outputs.drawing.pdf import find_chromium, print_pdf
from layerpipe.outputs.settings_text import chain_words, pan_words

if TYPE_CHECKING:
    from layerpipe.outputs.bounce.charts import Pictures

MANIFEST, RECIPE, SHEET, SHEET_PDF = "bounce.json", "recipe.toml", "sheet.html", "sheet.pdf"
MOST_MANIFEST_BYTES = 64 << 20
_KINDS = {"take": "take", "layer": "layer", "blend": "all layers"}


def write_papers(folder: Path, manifest: dict[str, Any], recipe_text: str, pictures: Pictures, *,
                 pdf: bool = False) -> dict[str, Any]:
    """Put recipe, delivery sheet and manifest into the folder of a bounce.

    Parameters
    ----------
    folder : Path
    manifest : dict
    recipe_text : str
    pictures : Pictures
        For the sheet.
    pdf : bool
        Also print the sheet; where no Chromium is found a warning is logged instead.

    Returns
    -------
    dict
        The manifest as it was written: with the papers' digests and the seal.

    Raises
    ------
    OutputError
        If the sheet cannot be printed.
    """
    papers = {RECIPE: recipe_text.encode(), SHEET: sheet(manifest, pictures).encode()}
    for name, content in papers.items():
        (folder / name).write_bytes(content)
    if pdf and (program := find_chromium()) is not None:
        print_pdf(folder / SHEET, folder / SHEET_PDF, program)
        papers[SHEET_PDF] = (folder / SHEET_PDF).read_bytes()
    elif pdf:
        logging.getLogger("layerpipe").warning(
            "no Chromium was found to print %s with; any browser prints %s, and LAYERPIPE_CHROMIUM names one to use",
            SHEET_PDF, SHEET)
    told = {**manifest, "papers": [{"path": name, "sha256": hashlib.sha256(content).hexdigest()}
                                   for name, content in papers.items()]}
    told["seal"] = seal_of(told)
    text = json.dumps(json_value(told), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (folder / MANIFEST).write_text(text + "\n", "utf-8")
    return told


def files_of_bounce(folder: Path) -> Sequence[str] | None:
    """Every file a bounce lists as its own, relative, with slashes; None if the folder is no bounce."""
    path = folder / MANIFEST
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_MANIFEST_BYTES:
            return None
        told = json.loads(path.read_text("utf-8"))
        if told["format"] != FORMAT:
            return None
        return [MANIFEST, RECIPE, SHEET, *(str(file["path"]) for file in (*told["files"], *told.get("papers", ())))]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def sheet(manifest: dict[str, Any], pictures: Pictures) -> str:
    """The delivery sheet: what each file is, in one printable page."""
    song = manifest["song"]
    layers = list(manifest["sections"][0]["levels_db"]) if manifest["sections"] else []
    return str(_page().render(manifest=manifest, song=song, pictures=pictures, layers=layers, kinds=_KINDS,
                              takes=[_take(source) for source in manifest["sources"]],
                              mixed=[file for file in manifest["files"] if file["kind"] != "take"]))


def prepare_papers() -> None:
    """Get the page ready, for whoever has something else to do meanwhile."""
    _page()


@functools.cache
def _page() -> Any:
    """The page's template; everything that is put into it is escaped but the pictures."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    pages = Environment(loader=PackageLoader("layerpipe.outputs.bounce", ""), autoescape=True,
                        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    pages.filters.update(figure=figure_words, clock=clock_words, grouped=_grouped)
    return pages.get_template("delivery.html")


def figure_words(value: float | None, places: int = 1) -> str:
    """A figure: a dash where nothing can be measured, a true minus sign."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
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


def _grouped(number: int) -> str:
    """A count with thin gaps between its thousands."""
    return f"{number:,}".replace(",", "\u202f")


def _take(source: dict[str, Any]) -> dict[str, Any]:
    """A take in words: where it came from and what was done to it."""
    came = [f"{source['container']}, {source['bits'] or 'float'}{'-bit' if source['bits'] else ''}, "
            f"{_grouped(source['rate_hz'])} Hz"]
    if source["channels"] > 1:
        came.append(f"channel {source['channel']} of {source['channels']}")
    if source["converted_from_hz"]:
        came.append(f"converted from {source['converted_from_hz']} Hz")
    if source["padded_frames"]:
        came.append(f"followed by {source['padded_frames']} frames of silence")
    chain = chain_words(source["chain"])
    asked = source["chain"].get("compressor")
    whole = source["reduction"][0]
    if asked is not None:
        if asked["threshold_db"] is None and source["threshold_db"] is not None:
            chain.append(f"threshold found: {source['threshold_db']:.1f} dB")
        chain.append(f"reduction: {whole['largest_db']:.1f} dB at most, {whole['mean_db']:.1f} dB on average")
    placed = [f"pan {pan_words(source['pan'])}"]
    if source["gain_db"]:
        placed.insert(0, f"gain {source['gain_db']:+.1f} dB")
    if source["invert_polarity"]:
        placed.append("polarity flipped")
    moves = [f"{move['from']} to {move['to']}: {abs(move['by_ms']):.1f} ms {'later' if move['by'] > 0 else 'earlier'}"
             for move in source["moves"]]
    return {"name": f"{source['layer']}, {source['take']}", "file": source["file"], "came": "; ".join(came),
            "notes": source["notes"], "chain": chain, "placed": ", ".join(placed), "moves": moves,
            "sha256": source["sha256"]}
