"""`layerpipe draft`: a starting recipe for a folder as a session leaves it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from layerpipe.cli.options import PATH, answers, jobs_option, output_options
from layerpipe.cli.songs import FOLDERS, SongResult, answer_songs
from layerpipe.cli.tables import drawn, new_table
from layerpipe.cli.terminal import Terminal

if TYPE_CHECKING:
    from layerpipe.analysis.folder.understood import DraftedTake, Understood
    from layerpipe.jobs.draft import Draft


@answers
@click.argument("folders", metavar="FOLDER...", nargs=-1, required=True, type=PATH, help=(
    "Folders of takes, one for each song, or .txt files that list one a line."))
@click.option("--out", "-o", type=PATH, metavar="FILE", help=(
    "Write the recipe to this new file; if omitted, the recipe is printed with paths relative to the current "
    "folder. Of several folders: a folder that gets one recipe each."))
@jobs_option
@output_options
def draft(folders: tuple[Path, ...], out: Path | None, jobs: int, as_json: bool, quiet: bool) -> int:
    """Draft a recipe for a folder of takes, by names and sound.

    Sorts out takes, passes, microphones of one performance, the rough mix and the click track, whose tempo is used.
    What is not certain is muted, with the reason beside it. Files that are not audio are listed and skipped.
    """
    several = not FOLDERS.is_one(folders)
    if several and out is None:
        raise click.BadParameter("must name a folder for the recipes of several songs", param_hint="--out")
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), folders, partial(
        _draft, out=out, several=several), jobs=jobs, refuse=_refuse_same_names, named=FOLDERS)


def _refuse_same_names(folders: list[Path]) -> None:
    """Refuse folders whose recipes would get one name."""
    from layerpipe.core.errors import Fault, RecipeError

    names = [_name_of(folder).casefold() for folder in folders]
    faults = [Fault(folder, "", "another folder has this name; draft them into different folders (--out)")
              for folder, name in zip(folders, names, strict=True) if names.count(name) > 1]
    if faults:
        raise RecipeError(faults)


def _name_of(folder: Path) -> str:
    """The name of a folder's recipe, without its ending."""
    return folder.resolve().name


def _draft(terminal: Terminal, folder: Path, *, out: Path | None, several: bool) -> SongResult:
    """One song."""
    from layerpipe.jobs.draft import draft_recipe, write_draft

    if several and out is not None:
        out.mkdir(parents=True, exist_ok=True)
        out = out / f"{_name_of(folder)}.toml"
    with terminal.progress("listening", 1.0) as on_progress:
        drafted = draft_recipe(folder, out.parent if out else Path(), on_progress=on_progress)
    for skip in drafted.skipped:
        terminal.warn(f"skipped: {skip.file}: {skip.why}")
    if out is not None:
        write_draft(drafted.text, out)
        terminal.say(_table(drafted, folder))
        terminal.say(*_kinds(drafted), f"wrote {out}: {_summary(drafted.understood)}")
        terminal.say(f"next: {_next(drafted.understood, str(out))}")
    elif not terminal.as_json:
        # Printed even with --quiet: it is the result. What is said about it does not get into the file it is sent to.
        terminal.result(*drafted.text.splitlines())
        if terminal.talks:
            terminal.warn(*drawn(_table(drafted, folder)).splitlines(), *_kinds(drafted), _summary(drafted.understood))
            terminal.warn(f"next: layerpipe draft {folder} --out song.toml, then "
                          f"{_next(drafted.understood, 'song.toml')}")
    uncertain = sum(take.muted for take in drafted.understood.takes)
    return SongResult(_document(drafted, out), "drafted", note=f"{uncertain} not certain" if uncertain else "")


def _next(understood: Understood, recipe: str) -> str:
    """The command that comes next: choosing among passes comes before checking what is played of them."""
    asked = any(len(take.passes) > 1 and not take.muted for take in understood.takes)
    return f"layerpipe choose {recipe}, then layerpipe check {recipe}" if asked else f"layerpipe check {recipe}"


def _table(drafted: Draft, folder: Path) -> Any:
    """What was understood of every file."""
    table = new_table(pad_edge=False)
    for name, ratio in (("file", 3), ("is", 3), ("begins", 1), ("remark", 4)):
        table.add_column(name, overflow="fold", ratio=ratio)
    for cells in _rows(drafted, folder):
        table.add_row(*cells)
    return table


def _rows(drafted: Draft, folder: Path) -> list[tuple[str, str, str, str]]:
    """One row for every file of the folder, in the order of the recipe."""
    from layerpipe.core.text import one_line

    def shown(path: Path) -> str:
        return one_line(str(path.relative_to(folder)))

    understood = drafted.understood
    rows = []
    for take in understood.takes:
        for one in take.passes:
            for number, source in enumerate(one.sources):
                what = one_line(f"{take.layer}, {take.name}")
                what += f", pass {one.name}" if len(take.passes) > 1 else ""
                what += f", microphone {number + 1}" if len(one.sources) > 1 else ""
                channel = "" if source.channel is None else f" (channel {source.channel})"
                starts = f"{one.start.seconds:.3f} s" if one.start.seconds else "0"
                rows.append((shown(source.file.path) + channel, what, starts, one_line(_remark(take))))
    if understood.bed is not None:
        starts_s = understood.bed_start.seconds
        rows.append((shown(understood.bed.path), "bed (rough mix), for listening only",
                     f"{starts_s:.3f} s" if starts_s else "0", one_line(understood.bed_start.unsure)))
    clock = understood.clock
    if clock is not None:
        meter = f", meter {clock.meter}" if clock.meter else ""
        rows.append((shown(clock.click.path), "click track, not played", "",
                     f"tempo {clock.tempo:g}{meter}, bar 1 at {clock.bar_one_s:.3f} s"))
    return rows + [(shown(skip.file), "skipped", "", one_line(skip.why)) for skip in drafted.skipped]


def _remark(take: DraftedTake) -> str:
    """What is to be known about a take."""
    return f"muted, not certain: {'; '.join(take.unsure)}" if take.unsure else "; ".join(take.remarks)


def _summary(understood: Understood) -> str:
    """The whole folder in one line."""
    takes = understood.takes
    more = sum(len(take.passes) - 1 for take in takes)
    muted = sum(take.muted for take in takes)
    parts = [f"{_count(len(takes), 'take')} in {_count(len(understood.layers), 'layer')}"]
    parts += [f"{_count(more, 'further pass')}"] if more else []
    parts += ["a bed"] if understood.bed else []
    parts += [f"{_count(muted, 'take')} muted because it is not certain"] if muted == 1 else []
    parts += [f"{_count(muted, 'take')} muted because they are not certain"] if muted > 1 else []
    return ", ".join(parts)


def _kinds(drafted: Draft) -> list[str]:
    """What every layer sounds like."""
    from layerpipe.core.text import one_line

    return [f"{one_line(name)}: {kind.words}" for name, kind in drafted.kinds.items()]


def _document(drafted: Draft, out: Path | None) -> dict[str, Any]:
    """The JSON document."""
    understood = drafted.understood
    clock = understood.clock
    return {
        "file": out,
        "recipe": drafted.text,
        "takes": [{
            "layer": take.layer, "take": take.name, "pan": take.pan, "muted": take.muted,
            "not_certain": list(take.unsure), "remarks": list(take.remarks),
            "passes": [{
                "pass": one.name, "starts_s": one.start.seconds, "by_time_reference": one.start.by_stamp,
                "sources": [{"file": source.file.path, "channel": source.channel, "seconds": source.file.seconds,
                             "rate_hz": source.file.rate_hz, "channels": source.file.channels}
                            for source in one.sources]} for one in take.passes]} for take in understood.takes],
        "kinds": {name: kind.kind for name, kind in drafted.kinds.items()},
        "bed": understood.bed.path if understood.bed else None,
        "click": {"file": clock.click.path, "tempo": clock.tempo, "meter": clock.meter,
                  "bar_one_s": clock.bar_one_s} if clock else None,
        "time_reference_s": understood.time_reference_s,
        "remarks": list(understood.remarks),
        "skipped": [{"file": skip.file, "why": skip.why} for skip in drafted.skipped],
        "next": _next(understood, str(out)) if out else None,
    }


def _count(number: int, what: str) -> str:
    """Two takes, one layer, three passes."""
    return f"{number} {what}{'' if number == 1 else 'es' if what.endswith('s') else 's'}"
