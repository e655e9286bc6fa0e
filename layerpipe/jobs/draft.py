"""A starting recipe for a folder as a session leaves it: from names, time stamps, headers and a quick hearing.

`analysis.folder` sorts out takes, passes, microphones, the rough mix, the click track and what is none of these. What
is not certain is in the recipe as a comment and muted.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from layerpipe.analysis.folder.coarse_listening import CoarseSound, listen
from layerpipe.analysis.folder.names import NameParts, read_names
from layerpipe.analysis.folder.understand import understand
from layerpipe.analysis.folder.understood import DraftedLayer, FolderFile, Skipped, Understood
from layerpipe.analysis.sustained.kinds import HeardKind
from layerpipe.analysis.sustained.layer_kinds import kind_of_sound
from layerpipe.audio_files.reader import FileFacts, SourceFile, StereoFile, inspect
from layerpipe.core.errors import AudioError, Fault, OutputError, RecipeError
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.listening import Ask
from layerpipe.core.process import worker_threads
from layerpipe.core.sound import OnProgress
from layerpipe.core.text import one_line
from layerpipe.jobs.draft_text import draft_text, relative
from layerpipe.outputs.bounce.manifest import MANIFEST
from layerpipe.outputs.preview.file_list import LIST_NAME
from layerpipe.recipe.model.recipe import MOST_LAYERS, MOST_TAKES
from layerpipe.recipe.names import refuse_control
from layerpipe.recipe.reader import parse_recipe
from layerpipe.render.cache.heard import Heard
from layerpipe.render.cache.take_cache import TakeCache

MOST_FILES = 2_000


@dataclass(frozen=True)
class Draft:
    """A starting recipe and what was understood of the folder."""

    text: str
    understood: Understood
    kinds: dict[str, HeardKind]
    """What was heard in each layer, by its name."""
    skipped: tuple[Skipped, ...]
    """Everything that is not in the recipe, sorted by name."""


def draft_recipe(folder: Path, home: Path, cache: TakeCache | None = None, *,
                 on_progress: OnProgress = lambda share: None) -> Draft:
    """Draft a recipe for the audio files of a folder and of the folders in it.

    Parameters
    ----------
    folder : Path
    home : Path
        The folder of the recipe; its files are named relative to it.
    cache : TakeCache, optional
        Default: the user's.
    on_progress : callable, optional

    Returns
    -------
    Draft
        Its text is a recipe without faults.

    Raises
    ------
    RecipeError
        If there is no such folder, or it contains more files or parts than a song can have.
    AudioError
        If it contains no usable audio file.
    """
    home = Path(os.path.realpath(home))
    found, skipped = _look_through(folder, home)
    names = read_names([facts.path.relative_to(folder) for facts in found], folder.resolve().name)
    cache = cache or TakeCache()
    ask = Heard(cache)

    def hear(facts: FileFacts, name: NameParts) -> FolderFile | Skipped:
        try:
            return _heard(facts, name, ask)
        except AudioError as refusal:
            return Skipped(facts.path, refusal.faults[0].problem)
        finally:
            on_progress(1 / len(found))

    with ThreadPoolExecutor(max(1, min(len(found), worker_threads()))) as pool:
        answers = list(pool.map(hear, found, names))
    ask.tidy()
    heard = [one for one in answers if isinstance(one, FolderFile)]
    skipped += [one for one in answers if isinstance(one, Skipped)]
    understood = understand(heard, most_takes=MOST_TAKES)
    skipped = sorted([*skipped, *understood.skipped], key=lambda skip: str(skip.file))
    if not understood.layers:
        faults = [Fault(skip.file, "", skip.why) for skip in skipped]
        raise AudioError([Fault(folder, "", "contains no usable audio file"), *faults])
    if len(understood.layers) > MOST_LAYERS:
        problem = (f"contains {len(understood.layers)} parts by the names of its files; a recipe has at most "
                   f"{MOST_LAYERS} layers; give files of one part one name, such as \"gtr L 1\" and \"gtr R 1\"")
        raise RecipeError([Fault(folder, "", problem)])
    kinds = {layer.name: _kind_of(layer, ask) for layer in understood.layers}
    text = draft_text(understood, kinds, one_line(folder.resolve().name), home)
    parse_recipe(home / "draft.toml", text)
    return Draft(text, understood, kinds, tuple(skipped))


def write_draft(text: str, target: Path) -> None:
    """Write a draft's text to a new file, completely or not at all.

    Raises
    ------
    OutputError
        If the file exists, or cannot be written.
    """
    try:
        write_whole(target, text.encode(), only_new=True)
    except FileExistsError as refusal:
        raise OutputError(f"{target}: exists and was left as it is; choose another name") from refusal
    except OSError as refusal:
        raise OutputError(f"{target}: cannot be written: {refusal.strerror or refusal}") from refusal


def _heard(facts: FileFacts, name: NameParts, ask: Ask) -> FolderFile:
    """One file, listened to."""
    file = StereoFile(facts.path, facts=facts)
    try:
        sound: CoarseSound = ask(_listen, file)
    finally:
        file.close()
    stamp_s = None if facts.time_reference is None else facts.time_reference / facts.rate_hz
    return FolderFile(facts.path, facts.seconds, facts.channels, facts.rate_hz, stamp_s, name, sound)


def _listen(file: StereoFile) -> CoarseSound:
    """What a file sounds like."""
    facts = file.facts
    return listen(lambda start, stop: file.read(start, min(stop, facts.frames)), facts.frames, facts.channels,
                  facts.rate_hz)


def _kind_of(layer: DraftedLayer, ask: Ask) -> HeardKind:
    """What plays in a layer, by its first take."""
    source = layer.takes[0].passes[0].sources[0]
    return ask(kind_of_sound, SourceFile(source.file.path, source.channel))


def _look_through(folder: Path, home: Path) -> tuple[list[FileFacts], list[Skipped]]:
    """The audio files below a folder, and the others with the reason; hidden files and bounces are skipped."""
    if not folder.is_dir():
        problem = "is not a folder; give the folder of the takes" if folder.exists() else "there is no such folder"
        raise RecipeError([Fault(folder, "", problem)])
    found: list[FileFacts] = []
    skipped: list[Skipped] = []
    seen = 0
    for inside, folders, files in os.walk(folder, onerror=_refuse):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        bounces = [name for name in folders if (Path(inside) / name / MANIFEST).is_file()]
        skipped += [Skipped(Path(inside) / name, "is a bounce, not a folder of takes") for name in bounces]
        previews = [name for name in folders if name not in bounces and (Path(inside) / name / LIST_NAME).is_file()]
        skipped += [Skipped(Path(inside) / name, "holds listening files, not takes") for name in previews]
        folders[:] = [name for name in folders if name not in {*bounces, *previews}]
        # "gtr.wav" comes before "gtr copy.wav".
        for name in sorted(files, key=lambda name: (Path(name).stem, name)):
            path = Path(inside) / name
            seen += not name.startswith(".")
            if seen > MOST_FILES:
                problem = f"contains more than {MOST_FILES} files; give the folder of one song"
                raise RecipeError([Fault(folder, "", problem)])
            if name.startswith("."):
                continue
            try:
                refuse_control(relative(home, path))
                found.append(inspect(path))
            except ValueError as refusal:
                skipped.append(Skipped(path, f"its name cannot be written in a recipe: {refusal}"))
            except AudioError as refusal:
                skipped.append(Skipped(path, refusal.faults[0].problem))
    return found, skipped


def _refuse(refusal: OSError) -> None:
    """Refuse a folder that cannot be read."""
    raise AudioError([Fault(Path(refusal.filename), "", f"cannot be read: {refusal.strerror}")]) from refusal
