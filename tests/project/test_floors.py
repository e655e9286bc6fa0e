"""The house keeps its floors: imports point down only, and neighbours that should not know each other do not."""

from __future__ import annotations

import ast
import functools
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "layerpipe"
FLOORS = ("core", "dsp", "recipe", "audio_files", "render", "analysis", "outputs", "server", "jobs", "cli")
"""From the ground up. A module imports from floors below its own, or from its own."""
MAP = "render.pipeline"
"""The one module of its floor that knows every stage."""
KNOWN_STAGES = {("render.song", "render.layers"), ("render.song", "render.takes"), ("render.song", "render.cache"),
                ("render.song", "render.energies"), ("render.stream", "render.song"),
                ("render.stream", "render.energies"), ("render.cache", "render.takes")}
"""Stages know only what they hand on. A song holds its takes, their moves and what is stored of them, and says how the
energies mix them; a stream reads a song and feeds the meter. A process that helps to listen makes takes again."""
_TAKES = {"moves": ("joined", "placing"), "passes": ("joined", "placing"), "open_takes": ("passes", "moves", "placing"),
          "made": ("joined", "placing")}
KNOWN_PIECES = {(f"render.takes.{one}", f"render.takes.{other}") for one, known in _TAKES.items() for other in known}
"""Moves and comps are pieces at places, joined; a take holds its passes; the bed has a place as passes have."""
MOST_NAMES = 12
"""On one level of the tree; a folder with a file for each command may have that many beside these."""
A_FILE_EACH = {"cli/help": "*.txt", "dsp/kernels/ir": "*.ll"}
"""Generated: one file a command, one a loop."""
KNOWN_OUTPUTS = {("outputs.choose", "outputs.drawing"), ("outputs.bounce", "outputs.drawing"),
                 ("outputs.check", "outputs.drawing"),
                 ("outputs.levels", "outputs.drawing"), ("outputs.timing", "outputs.drawing"),
                 ("outputs.verify", "outputs.drawing"), ("outputs.verify", "outputs.bounce"),
                 ("outputs.verify", "outputs.settings_text"), ("outputs.bounce", "outputs.settings_text"),
                 ("outputs.review", "outputs.artist_page")}
"""Outputs share how things are drawn and worded; a verification reads what a bounce wrote; the review page has the
look, the player and the mail reader of the artist's."""
WRITING = {"matplotlib", "soundfile", "jinja2", "tempfile", "shutil"}
"""What the analysis floor has no use for: it writes no files and draws nothing."""

MODULES = sorted(PACKAGE.rglob("*.py"))


def _name(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")


NAMES = {_name(path) for path in MODULES}


@functools.cache
def _statements(path: Path, *, at_once: bool = False) -> list[ast.Import | ast.ImportFrom]:
    """Every import of a file; `at_once`: those that run when the file is imported."""
    tree = ast.parse(path.read_text("utf-8"))
    nodes = tree.body if at_once else list(ast.walk(tree))
    return [node for node in nodes if isinstance(node, ast.Import | ast.ImportFrom)]


def _imports(path: Path) -> set[str]:
    """The modules of the package that a file imports, anywhere in it."""
    found = set()
    for node in _statements(path):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "layerpipe":
            base = node.module.removeprefix("layerpipe").removeprefix(".")
            found |= {inner if (inner := f"{base}.{alias.name}".lstrip(".")) in NAMES else base for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name.removeprefix("layerpipe.") for alias in node.names
                      if alias.name.startswith("layerpipe.")}
    return found - {"", "__init__"}


def _foreign(path: Path) -> set[str]:
    """First names of everything a file imports."""
    found = set()
    for node in _statements(path):
        if isinstance(node, ast.ImportFrom):
            found.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
    return found


def _room(name: str, floor: str = "outputs") -> str:
    """A folder or file directly on a floor, or directly in a folder of one."""
    return ".".join(name.split(".")[: len(floor.split(".")) + 1])


def test_the_tree_shows_the_floors():
    folders = {path.name for path in PACKAGE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    files = {path.name for path in PACKAGE.glob("*.py")}
    assert folders == set(FLOORS)
    assert files == {"__init__.py", "__main__.py"}


IN_FLOORS = [path for path in MODULES if path.parent != PACKAGE]


def test_imports_point_down_only():
    def floor(name):
        return FLOORS.index(name.split(".")[0])

    assert len(IN_FLOORS) > 300
    assert [f"{_name(path)} looks up to {name}" for path in IN_FLOORS for name in _imports(path)
            if floor(name) > floor(_name(path))] == []


@pytest.mark.parametrize(("floor", "known"), [
    ("render", KNOWN_STAGES), ("render.takes", KNOWN_PIECES), ("outputs", KNOWN_OUTPUTS)])
def test_rooms_know_only_the_neighbours_they_are_allowed(floor, known):
    met = set()
    for path in IN_FLOORS:
        own = _name(path)
        if own.startswith(f"{floor}.") and own != MAP:
            met |= {(_room(own, floor), _room(name, floor)) for name in _imports(path)
                    if name.startswith(f"{floor}.") and _room(name, floor) != _room(own, floor)}
    assert met <= known, f"not allowed: {sorted(met - known)}"


def test_the_analysis_floor_writes_no_files_and_draws_nothing():
    for path in PACKAGE.joinpath("analysis").rglob("*.py"):
        assert not _foreign(path) & WRITING, f"{_name(path)} imports {_foreign(path) & WRITING}"
        assert "layerpipe.core.files" not in path.read_text("utf-8"), f"{_name(path)} writes files"


def test_the_server_knows_pages_and_answers_but_no_sound_formulas():
    for path in PACKAGE.joinpath("server").rglob("*.py"):
        floors = {name.split(".")[0] for name in _imports(path)}
        assert not floors & {"dsp", "render", "analysis", "recipe", "audio_files"}, f"{_name(path)} knows {floors}"
        rooms = {_room(name) for name in _imports(path) if name.startswith("outputs.")}
        assert rooms <= {"outputs.artist_page", "outputs.review"}, f"{_name(path)} knows {rooms}"


def test_only_audio_files_import_soundfile():
    assert {_name(path) for path in MODULES if "soundfile" in _foreign(path)} == {"audio_files.flac",
                                                                                  "audio_files.reader"}


def test_no_level_of_the_tree_has_more_than_a_dozen_names():
    commands = {path.stem for path in PACKAGE.joinpath("cli/help").glob("*.txt")}
    for folder in [PACKAGE, *(path for path in PACKAGE.rglob("*") if path.is_dir() and path.name != "__pycache__")]:
        generated = set(folder.glob(A_FILE_EACH.get(folder.relative_to(PACKAGE).as_posix(), "-")))
        names = [path.name for path in folder.iterdir() if path not in generated
                 and path.name not in ("__pycache__", "__init__.py", "__main__.py")
                 and not (folder.name in ("cli", "jobs") and path.stem in commands)]
        assert len(names) <= MOST_NAMES, f"{folder.relative_to(PACKAGE)}: {sorted(names)}"


def test_no_module_is_longer_than_300_lines():
    assert [_name(path) for path in MODULES if len(path.read_text("utf-8").splitlines()) > 300] == []


@pytest.mark.parametrize("slow", ["scipy", "numba", "matplotlib", "pyloudnorm", "pydub", "jinja2", "starlette",
                                  "uvicorn", "segno", "watchfiles"])
def test_slow_libraries_are_imported_where_they_are_used_only(slow):
    for path in MODULES:
        for node in _statements(path, at_once=True):
            names = [alias.name for alias in node.names] + [getattr(node, "module", "") or ""]
            assert not any(name.split(".")[0] == slow for name in names), f"{path.name} imports {slow} at once"
