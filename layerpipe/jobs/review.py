"""Prepares the review of a recipe: findings, their sound as recorded and as proposed, and what is accepted of them."""

from __future__ import annotations

import functools
import hashlib
import json
import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import layerpipe
from layerpipe.audio_files.info import source_digest
from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.sound import OnProgress
from layerpipe.jobs.output_places import sources_of
from layerpipe.jobs.page import keeping_in
from layerpipe.jobs.review_change import change_of_findings
from layerpipe.jobs.review_findings import find_all
from layerpipe.outputs.review.encode import ListeningLevels, encode_voice, equal_gains, levels_of, outlines_of
from layerpipe.outputs.review.finding import LevelEdit, ReviewFinding, from_json, needed_by, to_json
from layerpipe.outputs.review.line import read_line
from layerpipe.outputs.review.model import ReviewItem, ReviewSong, ReviewVoice
from layerpipe.outputs.review.place import ReviewPlace, place_of
from layerpipe.outputs.review.render import PlaceRenderer, PlaceSounds
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.mixes import Alone, Mix, measure_hops
from layerpipe.render.pipeline import WORKERS, measure_song, process_takes
from layerpipe.render.song import ProcessedSong
from layerpipe.render.takes.open_takes import OpenTake, open_all

BITS, REST_BITS = 16, 14
"""What is judged, and what is heard around it: dither at 14 bits is at -84 dBFS, as a small artist's page has it."""
_VERSION = 1
"""Part of the key of kept findings."""


@dataclass(frozen=True)
class Review:
    """The findings of a recipe's present state, worst first."""

    file: RecipeFile
    page_id: str
    findings: list[ReviewFinding]

    def accepted(self, numbers: Sequence[int]) -> list[ReviewFinding]:
        """Findings by number, from 1, and those they need.

        Raises
        ------
        RecipeError
            If there is no such finding, or nothing is proposed for it.
        """
        faults = []
        for number in numbers:
            if not 1 <= number <= len(self.findings):
                faults.append(f"there is no finding {number}; there are {len(self.findings)}")
            elif self.findings[number - 1].edit is None:
                faults.append(f"nothing is proposed for finding {number}")
        if faults:
            raise RecipeError([Fault(self.file.path, "--accept", problem) for problem in faults])
        needed = needed_by(self.findings)
        asked = {number - 1 for number in numbers}
        asked |= {need for number in asked if (need := needed[number]) is not None}
        return [self.findings[number] for number in sorted(asked)]


def find_review(file: RecipeFile, cache: TakeCache | None = None, *,
                on_progress: OnProgress = lambda share: None) -> Review:
    """The findings of a recipe, from the cache if neither it nor its files nor this program have changed.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe or its files.
    """
    cache = cache or TakeCache()
    digests = [cache.notes.digest_of(path, source_digest) for path in sources_of(file)[1:]]
    state = {"review": _VERSION, "program": _program_digest(), "recipe": file.text, "sources": digests}
    kept = keeping_in(cache)(state, "review", lambda: json.dumps(to_json(cache.retried(
        lambda: find_all(file, cache, on_progress=on_progress)))).encode())
    song = json.dumps([file.recipe.song.title, file.recipe.song.artist])
    page_id = _digits(song) + _digits(json.dumps([state, kept.decode()]))
    return Review(file, page_id, from_json(json.loads(kept)))


def _digits(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]


@functools.cache
def _program_digest() -> str:
    """Checksum of this program: after a change of it the same takes may be judged otherwise."""
    digest = hashlib.sha256()
    for path in sorted(Path(layerpipe.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def prepare_review(review: Review, *, most_bytes: int | None, cache: TakeCache | None = None,
                   store: Callable[[ReviewVoice], ReviewVoice] = lambda voice: voice,
                   on_progress: OnProgress = lambda share: None) -> ReviewSong:
    """Render everything the review page contains.

    Parameters
    ----------
    review : Review
    most_bytes : int, optional
        Of sound; the worst findings get theirs first, and of the others the blend is left out first. None for all.
    cache : TakeCache, optional
    store : function of ReviewVoice, optional
        May replace each voice by one without its sound: then memory does not grow with the song.
    on_progress : function of a share
        Called with each share done; they add up to 1.

    Raises
    ------
    RecipeError, AudioError
        If the recipe or its files are wrong.
    """
    cache, file = cache or TakeCache(), review.file

    def work() -> ReviewSong:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        items = _Items(review, song, measure_song(song, cache), cache, store)

        def make(number: int) -> ReviewItem:
            made = items.make(number)
            on_progress(0.5 / len(review.findings))
            return made

        with ThreadPoolExecutor(WORKERS) as pool:
            made = list(pool.map(make, range(len(review.findings))))
        cache.prune()
        fitted = _within(made, most_bytes)
        lean = sum(bool(now.voices) and now is not before for now, before in zip(fitted, made, strict=True))
        return ReviewSong(file.recipe.song.title, file.recipe.song.artist, song.rate_hz, review.page_id, tuple(fitted),
                          lean)

    return cache.retried(work)


def _within(items: Sequence[ReviewItem], most_bytes: int | None) -> list[ReviewItem]:
    """Items whose sound fits: the take and its double of the worst first, then the rest of the blend of the worst."""
    if most_bytes is None:
        return list(items)
    left, found = most_bytes, []
    for item in items:
        lean = _without_blend(item)
        lean = item if lean.voices.keys() == item.voices.keys() else lean
        fits = _sound_bytes(lean) <= left
        left -= _sound_bytes(lean) if fits else 0
        found.append(lean if fits else replace(item, voices={}))
    for number, item in enumerate(items):
        more = _sound_bytes(item) - _sound_bytes(found[number])
        if found[number].voices and more <= left:
            found[number] = item
            left -= more
    return found


def _without_blend(item: ReviewItem) -> ReviewItem:
    """An item that is not heard in the blend, if it is heard in any other way."""
    mixes = tuple(mix for mix in item.mixes if mix.name != "blend")
    voices = {name: voice for name, voice in item.voices.items() if name != "rest"}
    return replace(item, mixes=mixes, voices=voices) if mixes else item


def _sound_bytes(item: ReviewItem) -> int:
    return sum(len(sound.pieces[0].text) for voice in item.voices.values() for sound in voice.sounds)


class _Items:
    """Makes one item after the other, in any thread."""

    def __init__(self, review: Review, song: ProcessedSong, energies: Energies, cache: TakeCache,
                 store: Callable[[ReviewVoice], ReviewVoice]) -> None:
        self._review, self._song, self._energies, self._cache, self._store = review, song, energies, cache, store
        self._takes = self._open(review.file)
        self._renderer = PlaceRenderer(song, self._takes)
        self._needed = needed_by(review.findings)
        self._lufs: dict[tuple[str, ...], float] = {}

    def _open(self, file: RecipeFile) -> list[OpenTake]:
        return open_all(file.recipe, digest_of=self._cache.notes.digest_of)

    def make(self, number: int) -> ReviewItem:
        """One finding with its sound."""
        finding, file, song = self._review.findings[number], self._review.file, self._song
        place = place_of(finding, song.tempo_map, song.rate_hz, song.frames)
        change: Change | None = None
        if finding.edit is not None:
            change = change_of_findings(file, self._review.accepted([number + 1]), self._cache)
        sounds = self._sounds(finding, place, change)
        wanted = ListeningLevels(file.recipe.preview.loudness_lufs, file.recipe.preview.ceiling_dbtp)
        voices = {name: self._store(encode_voice(voice, f"{name} {finding.name} {place.start}", song.rate_hz,
                                                 REST_BITS if name == "rest" else BITS))
                  for name, voice in sounds.voices.items()}
        return ReviewItem(finding, place, self._needed[number], _changed_lines(change), voices, sounds.alone,
                          levels_of(sounds), equal_gains(sounds, song.rate_hz, self._song_lufs(finding), wanted),
                          outlines_of(sounds), _beside_words(sounds), sounds.is_changed)

    def _sounds(self, finding: ReviewFinding, place: ReviewPlace, change: Change | None) -> PlaceSounds:
        """What is heard of a finding."""
        after = self._review.file if change is None else change.after
        if isinstance(finding.edit, LevelEdit):
            return self._renderer.of_layer(finding.layer, place, after.recipe)
        takes = self._takes if change is None else self._open(after)
        return self._renderer.of_take(finding.layer, finding.take, place, after.recipe, takes)

    def _song_lufs(self, finding: ReviewFinding) -> dict[str, float]:
        """Loudness of a finding's settings over the whole song; that of the blend for what is muted."""
        song = self._song
        blend = self._loudness(("blend",), song.mix(song.layers))
        layer = next((one for one in song.layers if one.name == finding.layer), None)
        take = next((n for n, one in enumerate(song.takes) if (one.layer.name, one.take.name) == (
            finding.layer, finding.take)), None)
        return {"blend": blend,
                "double": blend if layer is None else self._loudness((layer.name,), song.mix([layer], level=False)),
                "alone": blend if take is None else self._loudness((finding.layer, finding.take),
                                                                   song.mix_of_take(take))}

    def _loudness(self, key: tuple[str, ...], mix: Mix | Alone) -> float:
        """Integrated loudness over the song; -inf if it is silent."""
        if key not in self._lufs:
            lufs = measure_hops(self._energies, mix).integrated_lufs
            self._lufs[key] = -math.inf if lufs is None else lufs
        return self._lufs[key]


def _beside_words(sounds: PlaceSounds) -> str:
    """What is heard beside a take: its double by name, or the rest of the blend."""
    if "double" in sounds.voices:
        return f"{', '.join(sounds.doubles)}, its double{'s' if len(sounds.doubles) > 1 else ''}"
    return "the rest of the blend"


def _changed_lines(change: Change | None) -> tuple[str, ...]:
    """The lines of a change without those around them."""
    lines = [] if change is None else change.diff[2:]
    return tuple(line.expandtabs(4) for line in lines if line[0] in "+-" and line[1:].strip())


def change_of_line(file: RecipeFile, text: str, cache: TakeCache | None = None, *,
                   on_progress: OnProgress = lambda share: None) -> tuple[list[ReviewFinding], Change]:
    """The accepted findings of a line from the review page, and the recipe as they ask for it.

    Raises
    ------
    LayerpipeError
        If the line cannot be read, belongs to another song or an older state of this one, or accepts what is not
        proposed.
    """
    cache = cache or TakeCache()
    page_id, numbers = read_line(text)
    review = find_review(file, cache, on_progress=on_progress)
    if page_id[:8] != review.page_id[:8]:
        raise RecipeError([Fault(file.path, "--accept", "the line is from the review of another song")])
    if page_id != review.page_id:
        raise RecipeError([Fault(file.path, "--accept", "the recipe, its files or this program have changed since the "
                                                        "page was made; make a new one with layerpipe review")])
    findings = review.accepted(numbers)
    return findings, change_of_findings(file, findings, cache)


def document_of(song: ReviewSong) -> list[dict[str, Any]]:
    """The findings as `--json` prints them, numbered from 1 as on the page."""
    return [{
        "number": number, "source": one.finding.source, "kind": one.finding.kind, "verdict": one.finding.verdict,
        "layer": one.finding.layer, "take": one.finding.take or None, "place": one.finding.where or None,
        "from_s": one.finding.start_s, "to_s": one.finding.stop_s, "text": one.finding.text,
        "advice": one.finding.advice, "points": round(one.finding.points, 2), "proposes_change": bool(one.diff),
        "change": list(one.diff), "needs": None if one.needs is None else one.needs + 1, "has_sound": bool(one.voices),
        "heard_s": [round(one.place.start / song.rate_hz, 4), round(one.place.stop / song.rate_hz, 4)],
    } for number, one in enumerate(song.items, start=1)]
