"""The house keeps its floors: imports point down only, and stages do not know each other."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "layerpipe"
# From the ground up. A module imports from floors below its own, or from its own where the floor allows it.
FLOORS = [
    ("ground", {"units", "errors", "sound", "plain", "places", "held", "memory", "settled", "whole",
                "whole_files", ""}),
    ("arithmetic", {"dsp"}),
    ("nouns and doors", {"names", "recipe", "recipe_values", "recipe_wanted", "recipe_checks", "recipe_faults",
                         "recipe_file", "recipe_change", "recipe_edit", "recipe_moves", "recipe_schema", "toml_lines",
                         "toml_edit", "clock", "containers", "facts", "wav", "scanning", "broadcast", "conversion",
                         "chain_words", "file_names", "figures"}),
    ("stages", {"takes", "moves", "chain", "layers", "products", "energies", "sweeps", "store",
                "stored_take", "source_notes"}),
    ("the song", {"voiced", "excerpts", "drafting"}),
    ("the listening side", {"hearing"}),
    ("what leaves the house", {"encoding", "drawing", "glance", "sheet_pictures", "printing", "preview",
                               "turns", "stems", "bounce", "stem_blends", "manifest", "delivery", "sheet",
                               "sheet_loops", "sheet_sound", "levels", "checking"}),
    ("the map", {"render"}),
    ("jobs", {"jobs"}),
    ("the command line", {"commands", "cli", "__main__"}),
]
# The meter, its readings, and those of many levels; the store, and what it keeps.
SAME_STAGE = {("energies", "products"), ("sweeps", "energies"), ("sweeps", "products"),
              ("store", "stored_take"), ("store", "source_notes")}


def _floor_of(name: str) -> int:
    found = [n for n, (_, members) in enumerate(FLOORS) if name in members]
    assert found, f"layerpipe/{name} stands on no floor; give it one in {Path(__file__).name}"
    return found[0]


def _imports(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "layerpipe":
                modules = {entry.stem for entry in PACKAGE.iterdir()}
                names |= {alias.name if alias.name in modules else "" for alias in node.names}
            elif node.module.startswith("layerpipe."):
                names.add(node.module.split(".")[1])
        elif isinstance(node, ast.Import):
            names |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("layerpipe.")}
    return names


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_imports_point_down_only(path):
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    for name in _imports(path) - {own}:
        mine, theirs = _floor_of(own), _floor_of(name)
        assert theirs <= mine, f"{own} ({FLOORS[mine][0]}) looks up to {name} ({FLOORS[theirs][0]})"
        if FLOORS[mine][0] == "stages" and theirs == mine:
            assert (own, name) in SAME_STAGE, f"stage {own} knows stage {name}"


def test_only_the_sound_file_door_imports_soundfile():
    users = {path.name for path in MODULES if "import soundfile" in path.read_text("utf-8")}
    assert users == {"wav.py"}


@pytest.mark.parametrize("slow", ["scipy", "numba", "matplotlib", "pyloudnorm", "pydub", "jinja2"])
def test_slow_libraries_are_imported_where_they_are_used_only(slow):
    for path in MODULES:
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = [alias.name for alias in node.names] + [getattr(node, "module", "") or ""]
                assert not any(name.split(".")[0] == slow for name in names), f"{path.name} imports {slow} at once"
