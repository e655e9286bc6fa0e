"""The papers of a bounce: manifest, recipe as it was, delivery sheet.

All are written from the manifest alone; JSON has sorted keys, infinities as strings, and no clock.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from layerpipe.manifest import FORMAT
from layerpipe.plain import plain

MANIFEST, RECIPE, SHEET = "bounce.json", "recipe.toml", "sheet.html"


def write_papers(folder: Path, manifest: dict[str, Any], recipe_text: str) -> None:
    """Put manifest, recipe and delivery sheet into the folder of a bounce."""
    content = json.dumps(plain(manifest), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (folder / RECIPE).write_bytes(recipe_text.encode())
    (folder / SHEET).write_text(sheet(manifest), "utf-8")
    (folder / MANIFEST).write_text(content + "\n", "utf-8")


def files_of_bounce(folder: Path) -> Sequence[str] | None:
    """Every file a bounce lists as its own, relative, with slashes; None if the folder is no bounce."""
    try:
        told = json.loads((folder / MANIFEST).read_text("utf-8"))
        if told["format"] != FORMAT:
            return None
        return [MANIFEST, RECIPE, SHEET, *(str(file["path"]) for file in told["files"])]
    except (OSError, ValueError, KeyError, TypeError):
        return None


def sheet(manifest: dict[str, Any]) -> str:
    """The delivery sheet: what each file is, in one printable page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    pages = Environment(loader=PackageLoader("layerpipe"), autoescape=True, undefined=StrictUndefined)
    return pages.get_template("delivery.html").render(manifest=manifest)
