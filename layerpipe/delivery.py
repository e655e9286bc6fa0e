"""The papers of a bounce: manifest, recipe as it was, delivery sheet.

All are written from the manifest alone; JSON has sorted keys, infinities as strings, and no clock.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from layerpipe.manifest import FORMAT, seal_of
from layerpipe.plain import plain

MANIFEST, RECIPE, SHEET, SHEET_PDF = "bounce.json", "recipe.toml", "sheet.html", "sheet.pdf"
MOST_MANIFEST_BYTES = 64 << 20


def write_papers(folder: Path, manifest: dict[str, Any], recipe_text: str) -> dict[str, Any]:
    """Put recipe, delivery sheet and manifest into the folder of a bounce.

    Returns
    -------
    dict
        The manifest as it was written: with the papers' digests and the seal.
    """
    papers = {RECIPE: recipe_text.encode(), SHEET: sheet(manifest).encode()}
    for name, content in papers.items():
        (folder / name).write_bytes(content)
    told = {**manifest, "papers": [{"path": name, "sha256": hashlib.sha256(content).hexdigest()}
                                   for name, content in papers.items()]}
    told["seal"] = seal_of(told)
    text = json.dumps(plain(told), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
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


def sheet(manifest: dict[str, Any]) -> str:
    """The delivery sheet: what each file is, in one printable page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    pages = Environment(loader=PackageLoader("layerpipe"), autoescape=True, undefined=StrictUndefined)
    return pages.get_template("delivery.html").render(manifest=manifest)
