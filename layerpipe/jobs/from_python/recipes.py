"""What the commands do, for Python: readings at any level, pages, checks and bounces by their paths."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec.structs import replace

from layerpipe.core.errors import ParameterError
from layerpipe.core.units import gain_of_db
from layerpipe.render.energies.mixes import Mix, read_mix
from layerpipe.render.energies.readings import Readings

if TYPE_CHECKING:
    from layerpipe.outputs.check.report import Report
    from layerpipe.outputs.verify.compare import Compared
    from layerpipe.outputs.verify.verdicts import Verified
    from layerpipe.recipe.reader import RecipeFile
    from layerpipe.render.energies.meter import Energies
    from layerpipe.render.song import ProcessedSong


def read_levels(song: ProcessedSong, energies: Energies, levels_db: Mapping[str, float] | None = None, *,
                section: str | None = None) -> Readings:
    """Read the meters for the blend at any levels, without touching the sound.

    Parameters
    ----------
    song : ProcessedSong
        From `process_takes`.
    energies : Energies
        From `measure_song`.
    levels_db : mapping of layer to dB, optional
        -inf is off; layers that are not named, or all of them, keep the recipe's levels.
    section : str, optional
        Name of a section; the whole song if omitted.

    Returns
    -------
    Readings
        Loudness, range, correlation and mono loss.

    Raises
    ------
    ParameterError
        If a name is not a layer of the song.
    RecipeError
        If there is no such section.

    Examples
    --------
    >>> import layerpipe
    >>> song = layerpipe.process_takes(layerpipe.read_recipe("recipes/smallest.toml"))
    >>> energies = layerpipe.measure_song(song)
    >>> one, other = (layerpipe.read_levels(song, energies, {"regular": level}).integrated_lufs for level in (0, -6))
    >>> round(one - other, 6)
    6.0
    """
    asked = dict(levels_db or {})
    known = [layer.name for layer in song.layers]
    unknown = [name for name in asked if name not in known]
    if unknown:
        raise ParameterError(f'there is no layer "{unknown[0]}"; there are {", ".join(known)}')
    mixes = [song.mix([layer]) if layer.name not in asked else
             _scaled(song.mix([layer], level=False), gain_of_db(asked[layer.name])) for layer in song.layers]
    total = mixes[0]
    for mix in mixes[1:]:
        total = total + mix
    part = song.whole if section is None else song.parts([section])[0]
    return read_mix(energies, total, part.start, part.stop)


def _scaled(mix: Mix, gain: float) -> Mix:
    """A mix of constant gains, louder or softer."""
    left, right, sound = mix.left, mix.right, mix.sound
    if callable(left) or callable(right):
        raise ParameterError("only a mix of constant gains can be scaled")
    return replace(mix, left=gain * left, right=gain * right,
                   sound=None if sound is None else lambda start, stop: gain * sound(start, stop))


def write_artist_page(file: RecipeFile, path: str | Path, *, sections: Sequence[str] = ()) -> Path:
    """Write the artist's listening page of a recipe: one HTML file, completely or not at all.

    Parameters
    ----------
    file : RecipeFile
    path : Path
    sections : sequence of str
        Names; all sections if empty.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files, or the place of the page.
    """
    from layerpipe.jobs.page import prepare_page
    from layerpipe.outputs.artist_page import build_page, write_page

    write_page(Path(path), build_page(prepare_page(file, sections=sections).song))
    return Path(path)


def verify_bounce(folder: str | Path, *, sources: bool = False, render: bool = False) -> Verified:
    """Check that a bounce is unchanged.

    Parameters
    ----------
    folder : Path
    sources : bool
        Also check the source takes against the checksums.
    render : bool
        Also re-render from the enclosed recipe and compare.

    Raises
    ------
    OutputError
        If the folder is not a bounce.
    RecipeError, AudioError
        If takes or a render are asked for and cannot be had.
    """
    from layerpipe.jobs.verify import verify_render, verify_song
    from layerpipe.outputs.verify.opened_bounce import open_bounce

    opened = open_bounce(Path(folder))
    found = verify_song(opened, sources=sources)
    with tempfile.TemporaryDirectory(prefix="layerpipe-") as room:
        return verify_render(found, opened, Path(room), wanted=render)


def compare_bounces(old: str | Path, new: str | Path) -> Compared:
    """Compare two bounces, or recipes, down to the sample.

    Raises
    ------
    OutputError, RecipeError, AudioError
        If one is neither a bounce nor a recipe that can be rendered.
    """
    from layerpipe.jobs.verify import compare_songs

    with tempfile.TemporaryDirectory(prefix="layerpipe-") as room:
        return compare_songs(Path(old), Path(new), Path(room))[0]


def check_song(file: RecipeFile) -> Report:
    """Check every take of a recipe for faults.

    Raises
    ------
    AudioError
        With everything that keeps a file from being read.
    """
    from layerpipe.jobs.check import check_recipe

    return check_recipe(file.recipe)
