"""layerpipe builds layered doubles from takes.

For arrays: `process`, `pan`, `loudness`, `true_peak_dbtp`, `find_onsets`, `measure_tuning`, `find_defects`.
For recipes: `read_recipe`, then `check_song`, `time_song`, `process_takes`, `measure_song`, `read_levels`,
`study_levels`, `preview_song`, `write_artist_page`, `bounce_song`; for bounces `verify_bounce`, `compare_bounces`.
What they return are frozen dataclasses, named here too. Everything else is private and may change.
"""

from __future__ import annotations

TYPE_CHECKING = False
"""Type checkers take it for true. Importing `typing` would double the time of `layerpipe --version`, and an interrupt
before `__main__` has begun would print a traceback."""

if TYPE_CHECKING:
    from typing import Any

    from layerpipe.analysis.defects.pitch.tuning import Tuning
    from layerpipe.analysis.onsets.onset import Onset
    from layerpipe.analysis.timing.song_timing import SongTiming, TakeTiming
    from layerpipe.core.errors import AudioError, LayerpipeError, OutputError, ParameterError, RecipeError
    from layerpipe.dsp.loudness.bs1770 import Loudness
    from layerpipe.jobs.bounce import bounce_song
    from layerpipe.jobs.from_python.arrays import (
        find_defects,
        find_onsets,
        loudness,
        measure_tuning,
        pan,
        process,
        true_peak_dbtp,
    )
    from layerpipe.jobs.from_python.recipes import (
        check_song,
        compare_bounces,
        read_levels,
        verify_bounce,
        write_artist_page,
    )
    from layerpipe.jobs.levels import study_levels
    from layerpipe.jobs.preview import preview_song
    from layerpipe.jobs.timing import time_song
    from layerpipe.outputs.check.finding import Finding
    from layerpipe.outputs.check.report import Report, TakeReport
    from layerpipe.outputs.levels.study import LevelStudy
    from layerpipe.outputs.verify.compare import Compared
    from layerpipe.outputs.verify.verdicts import Verified
    from layerpipe.recipe.model.outputs import Check
    from layerpipe.recipe.model.recipe import Chain, Recipe
    from layerpipe.recipe.reader import RecipeFile, read_recipe
    from layerpipe.render.cache.take_cache import TakeCache
    from layerpipe.render.energies.meter import Energies
    from layerpipe.render.energies.readings import Readings
    from layerpipe.render.pipeline import measure_song, process_takes
    from layerpipe.render.song import ProcessedSong, ProcessedTake

__version__ = "0.1.0"
__all__ = [
    "AudioError",
    "Chain",
    "Check",
    "Compared",
    "Energies",
    "Finding",
    "LayerpipeError",
    "LevelStudy",
    "Loudness",
    "Onset",
    "OutputError",
    "ParameterError",
    "ProcessedSong",
    "ProcessedTake",
    "Readings",
    "Recipe",
    "RecipeError",
    "RecipeFile",
    "Report",
    "SongTiming",
    "TakeCache",
    "TakeReport",
    "TakeTiming",
    "Tuning",
    "Verified",
    "__version__",
    "bounce_song",
    "check_song",
    "compare_bounces",
    "find_defects",
    "find_onsets",
    "loudness",
    "measure_song",
    "measure_tuning",
    "pan",
    "preview_song",
    "process",
    "process_takes",
    "read_levels",
    "read_recipe",
    "study_levels",
    "time_song",
    "true_peak_dbtp",
    "verify_bounce",
    "write_artist_page",
]

_NAMES = {
    "analysis.defects.pitch.tuning": ("Tuning",),
    "analysis.onsets.onset": ("Onset",),
    "analysis.timing.song_timing": ("SongTiming", "TakeTiming"),
    "core.errors": ("AudioError", "LayerpipeError", "OutputError", "ParameterError", "RecipeError"),
    "dsp.loudness.bs1770": ("Loudness",),
    "jobs.from_python.recipes": ("check_song", "compare_bounces", "read_levels", "verify_bounce", "write_artist_page"),
    "jobs.from_python.arrays": ("find_defects", "find_onsets", "loudness", "measure_tuning", "pan", "process",
                                "true_peak_dbtp"),
    "jobs.bounce": ("bounce_song",),
    "jobs.levels": ("study_levels",),
    "jobs.preview": ("preview_song",),
    "jobs.timing": ("time_song",),
    "outputs.check.finding": ("Finding",),
    "outputs.check.report": ("Report", "TakeReport"),
    "outputs.levels.study": ("LevelStudy",),
    "outputs.verify.compare": ("Compared",),
    "outputs.verify.verdicts": ("Verified",),
    "recipe.model.recipe": ("Chain", "Recipe"),
    "recipe.model.outputs": ("Check",),
    "recipe.reader": ("RecipeFile", "read_recipe"),
    "render.cache.take_cache": ("TakeCache",),
    "render.energies.meter": ("Energies",),
    "render.energies.readings": ("Readings",),
    "render.pipeline": ("measure_song", "process_takes"),
    "render.song": ("ProcessedSong", "ProcessedTake"),
}
_MODULE_OF = {name: module for module, names in _NAMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import a name when it is first used: `layerpipe --help` should not wait for numpy."""
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(f"layerpipe.{_MODULE_OF[name]}"), name)


def __dir__() -> list[str]:
    """The names that are promised."""
    return sorted(__all__)
