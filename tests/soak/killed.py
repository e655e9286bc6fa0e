"""What is killed at random moments: how each kind of work is prepared, done, and judged."""

from __future__ import annotations

import os
import shutil
import tomllib
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from pathlib import Path

from layerpipe.jobs.choose import change_of_passes, choose_passes
from layerpipe.jobs.preview import preview_song
from layerpipe.jobs.review_change import (
    change_of_findings,
    change_of_undo,
    forget_undone,
    write_undoably,
)
from layerpipe.outputs.artist_page import Answer
from layerpipe.outputs.artist_page.page import write_page
from layerpipe.outputs.choose.listen import write_candidates
from layerpipe.outputs.choose.plot import draw_choice
from layerpipe.outputs.review.finding import LevelEdit, ReviewFinding, ShiftEdit
from layerpipe.outputs.review.page import MARK
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.edit.comps import NewPart, remove_comps, set_comp
from layerpipe.recipe.edit.moves_and_levels import NewMove, add_moves, remove_moves, set_level
from layerpipe.recipe.edit.shifts import remove_shifts, write_shift
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.server.comments import CommentsFile, comments_path
from tests.soak.scene import Scene, bounce, digests

EDITS = 6


class Kind(ABC):
    """One thing that is killed: how it is prepared, done, and judged."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.store_folder = scene.folder / "store"

    @abstractmethod
    def prepare(self, n: int) -> None:
        """Before a run."""

    @abstractmethod
    def work(self) -> None:
        """What is killed."""

    def complaints(self) -> list[str]:
        """After a kill, and after the run that follows it."""
        return self.scene.complaints(may_be_absent=False)

    def settled(self) -> list[str]:
        """After the run that follows a kill."""
        return [f"left over: {name}" for name in self.scene.leftovers()]


class KilledBounce(Kind):
    """A bounce over an earlier one of the other version."""

    def prepare(self, n: int) -> None:
        self.version = n % 2
        self.scene.use(self.version)

    def work(self) -> None:
        bounce(self.scene, TakeCache(self.store_folder))

    def settled(self) -> list[str]:
        right = digests(self.scene.target) == self.scene.known[self.version]
        return super().settled() + ([] if right else ["the next run comes to other bytes"])


class KilledFill(KilledBounce):
    """The same into an empty store."""

    def prepare(self, n: int) -> None:
        super().prepare(n)
        shutil.rmtree(self.store_folder, ignore_errors=True)


class KilledPreview(Kind):
    """Listening files over earlier ones."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.known = []
        for n in (0, 1):
            scene.use(n)
            self.work()
            self.known.append(digests(scene.folder / "previews"))

    def prepare(self, n: int) -> None:
        self.version = n % 2
        self.scene.use(self.version)

    def work(self) -> None:
        preview_song(read_recipe(self.scene.recipe), self.scene.folder / "previews",
                            cache=TakeCache(self.store_folder))

    def complaints(self) -> list[str]:
        allowed = [{files.get(name) for files in self.known} for name in self.known[0]]
        now = digests(self.scene.folder / "previews")
        strange = [name for name, wanted in zip(self.known[0], allowed, strict=True) if now.get(name) not in wanted]
        return super().complaints() + [f"half a listening file: {name}" for name in strange]

    def settled(self) -> list[str]:
        right = digests(self.scene.folder / "previews") == self.known[self.version]
        return super().settled() + ([] if right else ["the next run makes other listening files"])


class KilledWrite(Kind):
    """Levels, shifts and comps written into the recipe one after another: one write is over before it can be killed."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        path, self.whole = scene.recipe, {scene.recipe.read_bytes()}
        for n in range(EDITS):
            self.prepare(n)
            for text in self._writes():
                # A run after a kill begins by taking back what was written.
                self.whole |= {text, self._taken_back(path).after.text.encode()}

    def prepare(self, n: int) -> None:
        self.first = n % EDITS
        self.scene.use(0)

    def work(self) -> None:
        for _ in self._writes():
            pass

    @staticmethod
    def _taken_back(path: Path) -> Change:
        """The recipe without moves, comps and shifts that were written."""
        return remove_shifts(remove_comps(remove_moves(path)))

    def _writes(self) -> Iterator[bytes]:
        """The recipe after every write: two edits, and a level with each."""
        path = self.scene.recipe
        self._taken_back(path).write()
        edits: list[Callable[[], Change]] = [
            lambda: write_shift(path, "regular", "left", 12.5, "late", ["1", "2"]),
            lambda: set_comp(path, "regular", "left", "2", [NewPart(0.0, 2.2, "1", "verse")]),
            lambda: add_moves(path, "regular", "left", [NewMove(1.0, 1.5, 9.0, "early")], "1"),
            lambda: remove_moves(path), lambda: remove_comps(path), lambda: remove_shifts(path)]
        for n in (self.first, (self.first + 1) % EDITS):
            set_level(path, "octave", -float(n) - 0.5).write()
            yield path.read_bytes()
            edits[n]().write()
            yield path.read_bytes()

    def complaints(self) -> list[str]:
        is_whole = self.scene.recipe.read_bytes() in self.whole
        return super().complaints() + ([] if is_whole else ["half a recipe"])


class KilledReview(Kind):
    """Changes of the review accepted and undone one after another, and its page over earlier ones."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        scene.use(0)
        self.before, self.whole = scene.recipe.read_bytes(), {scene.recipe.read_bytes()}
        self.pages = [MARK + bytes([n]) * 300_000 for n in range(2)]
        for _ in self._steps():
            self.whole.add(scene.recipe.read_bytes())

    def prepare(self, n: int) -> None:
        """A run begins where the one before was killed."""

    def work(self) -> None:
        for _ in self._steps():
            pass

    def _steps(self) -> Iterator[None]:
        """Undo what a killed run left, accept, undo."""
        path, cache = self.scene.recipe, TakeCache(self.store_folder)
        yield from self._undone()
        edits = [LevelEdit("octave", "chorus", -4.5), ShiftEdit("regular", "right", -3.5, "late")]
        for n, edit in enumerate(edits):
            write_page(self.scene.folder / "reviews" / "song.html", self.pages[n], MARK)
            finding = ReviewFinding("timing", "shift", "edit", 1.0, edit.layer, "", "", "late", "earlier", edit=edit)
            write_undoably(change_of_findings(read_recipe(path), [finding], cache), lambda change: bool(change.write()))
            yield
        yield from self._undone()

    def _undone(self) -> Iterator[None]:
        """Take back everything, step by step."""
        while (change := change_of_undo(self.scene.recipe)) is not None:
            change.write()
            yield
            forget_undone(self.scene.recipe)

    def complaints(self) -> list[str]:
        found = super().complaints()
        if self.scene.recipe.read_bytes() not in self.whole:
            found.append("half a recipe")
        page = self.scene.folder / "reviews" / "song.html"
        if page.exists() and page.read_bytes() not in self.pages:
            found.append("half a page")
        return found

    def settled(self) -> list[str]:
        found = super().settled()
        if self.scene.recipe.read_bytes() != self.before:
            found.append("what was accepted cannot be undone to the byte")
        return found


class KilledChoose(Kind):
    """Chosen passes written into the recipe, with listening files and a picture of them."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.known = []
        self.recipes = set()
        for n in (0, 1):
            self.prepare(n)
            self.recipes.add(scene.recipe.read_bytes())
            self.work()
            self.recipes.add(scene.recipe.read_bytes())
            self.known.append(digests(scene.folder / "heard"))

    def prepare(self, n: int) -> None:
        self.version = n % 2
        self.scene.use(self.version)

    def work(self) -> None:
        file = read_recipe(self.scene.recipe)
        choices = choose_passes(file, TakeCache(self.store_folder))
        folder = self.scene.folder / "heard"
        write_candidates(choices, folder)
        draw_choice(choices, file.recipe.song.title, folder / "passes.svg")
        change = change_of_passes(file, choices)
        if change is not None:
            change.write()

    def complaints(self) -> list[str]:
        now = digests(self.scene.folder / "heard")
        found = [f"half a file: {name}" for name, digest in now.items()
                 if not name.endswith(".partial") and digest not in {known.get(name) for known in self.known}]
        return super().complaints() + found + (
            [] if self.scene.recipe.read_bytes() in self.recipes else ["half a recipe"])


class KilledShare(Kind):
    """Answers kept beside the recipe: what was confirmed to the sender is there, whatever happens."""

    MOST = 8

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.path, self.confirmed = comments_path(scene.recipe), scene.folder / "confirmed"

    def prepare(self, n: int) -> None:
        for path in (self.path, self.confirmed):
            path.unlink(missing_ok=True)

    def work(self) -> None:
        comments = CommentsFile(self.path, most=1000)
        answer = Answer("Song", "0" * 16, (), {"verse": "more air " * 300})
        # Written without a buffer, as a response goes out.
        sent = os.open(self.confirmed, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        for n in range(self.MOST):
            kept, _ = comments.add("Mari", f"line {n}", answer)
            os.write(sent, f"{kept.number} waiting\n".encode())
            if n % 2:
                comments.set_state(kept.number, "written")
                os.write(sent, f"{kept.number} written\n".encode())
        os.close(sent)

    def complaints(self) -> list[str]:
        confirmed = dict(line.split() for line in self.confirmed.read_text().splitlines()) \
            if self.confirmed.exists() else {}
        text = self.path.read_text("utf-8") if self.path.exists() else ""
        kept = {entry["number"]: entry["state"] for entry in tomllib.loads(text).get("answer", [])}
        return super().complaints() + [f"answer {number}: {state} was confirmed" for number, state in confirmed.items()
                                       if kept.get(int(number)) not in (state, "written")]


KINDS: dict[str, type[Kind]] = {"bounce": KilledBounce, "preview": KilledPreview, "write": KilledWrite,
                                "fill": KilledFill, "review": KilledReview, "choose": KilledChoose,
                                "share": KilledShare}
