"""Many songs: one song is one task, a function of its recipe's path that returns plain values.

A refused song stops no other. The songs run in this process one after another, or spread over processes of this
machine (`processes`) or the workers of a cluster (`cluster`); outputs are written completely or not at all, so a
song that is done twice does no harm, and each gives the same bytes everywhere.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from msgspec import Struct, field

from layerpipe.core.errors import MOST_SHOWN, FaultsError, LayerpipeError, ParameterError

REFUSED, FAILED = "refused", "failed"
INTERNAL_ERROR = 70
SongProgress = Callable[[int, float], None]
"""Called with the number of a song and the share of its work (of 1) that was just done; 0 when it begins."""


class SongOutcome(Struct, frozen=True):
    """What became of one song; plain values, so that any process can return it."""

    verdict: str
    """A word or two, for the table of songs."""
    exit_code: int = 0
    document: dict[str, Any] = field(default_factory=dict)
    """What --json prints of the song."""
    note: str = ""
    """A few words beside the verdict."""
    text: str = ""
    """What is printed for a person."""
    warnings: tuple[str, ...] = ()
    """What is printed on stderr."""


SongWork = Callable[[Path, Callable[[float], None]], SongOutcome]
"""The work of one song: its recipe, and a function that receives the share of the work just done. To run in another
process it must be importable, or a `functools.partial` of such a function and plain values."""


class SongStoppedError(LayerpipeError):
    """The command was interrupted; raised inside the songs that are running, so that they clean up."""

    exit_code = 130


def run_song(work: SongWork, recipe: Path, on_progress: Callable[[float], None]) -> SongOutcome:
    """Do one song. Whatever is wrong with it is in the outcome and stops no other song."""
    try:
        return work(recipe, on_progress)
    except LayerpipeError as refusal:
        return refused(refusal)
    except MemoryError:
        return SongOutcome(REFUSED, 1, {"refused": "not enough memory"}, "not enough memory",
                           warnings=(f"{recipe}: not enough memory",))
    except OSError as refusal:
        text = f"{refusal.filename or recipe}: {refusal.strerror or refusal}"
        return SongOutcome(REFUSED, 1, {"refused": text}, text, warnings=(text,))
    except Exception as mistake:
        # A mistake of ours in one song must not cost the others.
        if os.environ.get("LAYERPIPE_TRACEBACK"):
            raise
        text = f"{recipe}: internal error ({type(mistake).__name__}: {mistake}); no partial output was left"
        return SongOutcome(FAILED, INTERNAL_ERROR, {"refused": text}, "internal error", warnings=(text,))


def refused(refusal: LayerpipeError) -> SongOutcome:
    """The outcome of a song that was refused."""
    text = str(refusal)
    first = next(iter(refusal.faults), None) if isinstance(refusal, FaultsError) else None
    note = str(first) if first is not None else text.splitlines()[0]
    more = f" and {refusal.count - 1} more" if isinstance(refusal, FaultsError) and refusal.count > 1 else ""
    return SongOutcome(REFUSED, refusal.exit_code, refusal_document(refusal), note + more, warnings=(text,))


def refusal_document(refusal: LayerpipeError) -> dict[str, Any]:
    """What --json prints of a refusal: its text and its faults."""
    faults = refusal.faults[:MOST_SHOWN] if isinstance(refusal, FaultsError) else ()
    count = refusal.count if isinstance(refusal, FaultsError) else 0
    listed = [{"file": str(fault.file), "line": fault.line, "where": fault.where, "problem": fault.problem}
              for fault in faults]
    return {"refused": str(refusal), "faults": listed, "count": count}


def run_songs(work: SongWork, recipes: Sequence[Path], *, processes: int = 1, cluster: str | None = None,
              outputs: Sequence[Path] = (),
              on_progress: SongProgress | None = None) -> Generator[tuple[int, SongOutcome], None, None]:
    """Do many songs.

    Parameters
    ----------
    work : SongWork
    recipes : sequence of Path
    processes : int
        With 1 the songs run in this process, one after another, each on all cores; with more each runs in a process
        of its own with its share of the cores.
    cluster : str, optional
        Address of a dask.distributed scheduler; its workers do the songs. All paths must be absolute.
    outputs : sequence of Path
        Folders that the songs write into; only a cluster needs to know.
    on_progress : SongProgress, optional

    Yields
    ------
    (int, SongOutcome)
        The number of the song in `recipes`, from 0; in the order in which they end.

    Raises
    ------
    ParameterError
        If `processes` is below 1, or a cluster is wanted and dask.distributed is not installed.
    ClusterError
        If the cluster cannot be used or is lost.
    """
    if processes < 1:
        raise ParameterError(f"processes={processes} must be at least 1")
    if cluster is not None:
        try:
            from layerpipe.jobs.many.cluster import run_on_cluster
        except ModuleNotFoundError as missing:
            raise ParameterError('a cluster needs dask.distributed: pip install "layerpipe[cluster]"') from missing
        yield from run_on_cluster(work, recipes, cluster, outputs=outputs, on_progress=on_progress)
        return
    report = on_progress or (lambda song, share: None)
    if processes > 1 and len(recipes) > 1:
        from layerpipe.jobs.many.processes import run_in_processes

        yield from run_in_processes(work, recipes, processes=processes, on_progress=report)
        return
    for n, recipe in enumerate(recipes):
        report(n, 0.0)
        yield n, run_song(work, recipe, partial(report, n))
