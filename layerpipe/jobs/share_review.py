"""Shares a recipe's review page, with the sound of all findings."""

from __future__ import annotations

from dataclasses import replace

from layerpipe.core.sound import OnProgress
from layerpipe.jobs.review import find_review, prepare_review
from layerpipe.jobs.share import NewVersion, SharedRun
from layerpipe.outputs.artist_page.model import PageSound
from layerpipe.outputs.review.model import ReviewVoice
from layerpipe.outputs.review.page import ReviewAddresses, build_page
from layerpipe.recipe.reader import RecipeFile
from layerpipe.server.accepted import ReviewInbox


class SharedReview(SharedRun):
    """A recipe's review page while it is shared; it has the sound of all findings."""

    def _make_inbox(self) -> ReviewInbox:
        return ReviewInbox(self._events)

    def _prepare(self, file: RecipeFile, on_progress: OnProgress = lambda share: None) -> None:
        """Show the recipe as it is now."""
        used: set[str] = set()

        def stored(sound: PageSound) -> PageSound:
            # What stays of a sound is the name of its file.
            piece = sound.pieces[0]
            name = self._pages.write(piece.flac, "flac")
            used.add(name)
            return replace(sound, pieces=(replace(piece, text=name.encode()),))

        def store(voice: ReviewVoice) -> ReviewVoice:
            return replace(voice, sound=stored(voice.sound),
                           proposed=None if voice.proposed is None else stored(voice.proposed))

        found = find_review(file, self._cache, on_progress=lambda share: on_progress(0.8 * share))
        song = prepare_review(found, most_bytes=None, cache=self._cache, store=store,
                              on_progress=lambda share: on_progress(0.2 * share))
        addresses = ReviewAddresses(lambda sound: f"sound/{sound.pieces[0].text.decode()}.flac")
        version = self._pages.publish_page(lambda number: build_page(
            song, file.path.name, served=addresses, version=number), frozenset(used))
        self._events.put(NewVersion(version.number, ()))
