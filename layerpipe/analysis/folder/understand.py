"""The whole way from heard files to an understood folder."""

from __future__ import annotations

from collections.abc import Sequence

from layerpipe.analysis.folder.grouping import group_takes
from layerpipe.analysis.folder.placing import place_files
from layerpipe.analysis.folder.roles import Likenesses, sort_files
from layerpipe.analysis.folder.song_clock import clock_of
from layerpipe.analysis.folder.understood import FolderFile, Skipped, Start, Understood


def understand(files: Sequence[FolderFile], *, most_takes: int) -> Understood:
    """Find out what the files of a folder are.

    Parameters
    ----------
    files : sequence of FolderFile
        In the order of their names.
    most_takes : int
        Files beyond this many takes are skipped.

    Returns
    -------
    Understood
    """
    likenesses = Likenesses()
    roles = sort_files(files, likenesses)
    too_many = [Skipped(file.path, f"a recipe has at most {most_takes} takes") for file in roles.takes[most_takes:]]
    takes = roles.takes[:most_takes]
    beside = [file for file in (roles.bed, roles.click) if file is not None]
    places = place_files([*takes, *beside], takes) if takes else None
    if places is None:
        return Understood((), roles.bed, None, None, tuple(roles.skipped))
    layers = group_takes(takes, places, likenesses)
    clock = clock_of(roles.click, places, takes) if roles.click else None
    return Understood(layers, roles.bed, clock, places.time_reference_s, (*roles.skipped, *too_many),
                      (places.remark,) if places.remark else (),
                      places.starts[roles.bed] if roles.bed else Start())
