"""Whether a bounce is already what its recipe says, so that an interrupted batch does only the others."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

from layerpipe.audio_files.info import source_digest
from layerpipe.core.errors import AudioError
from layerpipe.core.files.regular import is_regular
from layerpipe.outputs.bounce.delivery_sheet import DELIVERY_PDF
from layerpipe.outputs.bounce.manifest import versions
from layerpipe.outputs.bounce.manifest_model import DocumentEntry, StemEntry
from layerpipe.outputs.verify.find_sources import files_by_name
from layerpipe.outputs.verify.opened_bounce import NotABounceError, OpenBounce, open_bounce
from layerpipe.outputs.verify.stem_file import checksum_of
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache


def why_not_current(file: RecipeFile, folder: Path, cache: TakeCache, *, pdf: bool = False) -> str | None:
    """Why a recipe has to be bounced (again); None if its bounce is what the recipe says, byte for byte.

    Recipe, versions, the checksum of every source (unchanged files are known to the cache) and of every output are
    compared with the manifest. Sound is not measured again; `verify` does that.

    Parameters
    ----------
    file : RecipeFile
    folder : Path
        Of its bounce.
    cache : TakeCache
    pdf : bool
        Whether the delivery sheet is to be there as PDF too.
    """
    if not folder.exists():
        return "it has not been bounced"
    try:
        bounce = open_bounce(folder)
    except NotABounceError:
        return "its bounce is damaged"
    if not bounce.manifest_unchanged:
        return "its manifest was changed"
    if bounce.manifest.recipe.sha256 != sha256(file.text.encode()).hexdigest():
        return "the recipe was changed"
    if bounce.manifest.versions != versions():
        return "it was made by other versions"
    if pdf and DELIVERY_PDF not in bounce.manifest.paths:
        return "it has no PDF"
    return _changed_source(file, bounce, cache) or _changed_output(bounce)


def _changed_source(file: RecipeFile, bounce: OpenBounce, cache: TakeCache) -> str | None:
    """A take that is not the one that was bounced."""
    takes = {(layer.name, take.name) for layer in file.recipe.layer for take in layer.take if not take.mute}
    if {(source.layer, source.take) for source in bounce.manifest.sources} != takes:
        return "it has other takes"
    paths = files_by_name(file.recipe)
    for source, part in [(one, part) for one in bounce.manifest.sources for part in one.every_file]:
        path = paths.get((source.layer, source.take, part.played, part.mic))
        if path is None:
            return "it has other takes"
        try:
            if cache.notes.digest_of(path, source_digest) != part.sha256:
                return f"{path.name} was changed"
        except (AudioError, OSError):
            return f"{path.name} cannot be read"
    return None


def _changed_output(bounce: OpenBounce) -> str | None:
    """A file that is not what was bounced."""
    entries: list[StemEntry | DocumentEntry] = [*bounce.files, *bounce.manifest.documents]
    for entry in entries:
        path = bounce.path_of(entry)
        try:
            if not is_regular(path) or checksum_of(path) != entry.sha256:
                return f"{entry.path} was changed"
        except OSError:
            return f"{entry.path} cannot be read"
    return None
