"""Feed everything that reads what others wrote thousands of broken inputs: `python -m tests.soak.fuzz`.

Recipes, sound files of every kind, artists' answers and other texts, and manifests are broken by seeded mutations.
Every answer is a result or a letter; a traceback, a crash, an input that takes longer than
`--longest`, or memory past `--memory` is a complaint with its seed.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import soundfile
import tomlkit

from layerpipe.audio_files.reader import StereoFile, inspect
from layerpipe.audio_files.scan import scan
from layerpipe.core.errors import AudioError, LayerpipeError, OutputError, RecipeError
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.edit.comps import NewPart, remove_comps, set_comp
from layerpipe.recipe.edit.moves_and_levels import remove_moves
from layerpipe.recipe.edit.shifts import remove_shifts, write_shift
from layerpipe.recipe.reader import RecipeFile, parse_recipe, read_recipe
from layerpipe.recipe.tempo_map import TempoMap
from tests.soak.fuzz_texts import Manifests, Texts
from tests.soak.mutation import mutated
from tests.soak.scene import finish
from tests.support.bad_files import BAD
from tests.support.bad_files import make as make_bad
from tests.support.songs import recipe_of, session_of

BATCH = 250
EDITED_EVERY = 4
"""Recipes that are let through and whose length is a multiple of this are also edited."""
_READ_FRAMES = 1 << 16
_WORDS = ("nan", "inf", "-inf", "1e309", "-0.0", "9" * 400, "true", '""', "''", '"\\u0000"',
          '"../../../etc/passwd"', "[]", "{}", "[[", "]]", "=", "#", '"""', "\ufeff", "\u202e", "[layer.take]",
          "[[layer.take]]", "[song]", "0x_", "1979-05-27", '"/dev/zero"', '"1.1.1.1"', '"bar 1 beat 1+1/3"',
          '"bar 0 beat 9.9"', "[1, 2, 3]",
          "{ hz = 1e9 }", "a.b.c = 1", "\\", "\x00", '"\U0001f4a5"', "=" * 50, "[" * 300)
_IN_LISTS = """[song]
title = "Lists"
time_reference_s = 9
[[layer]]
name = "regular"
[[layer.take]]
name = "left"
passes = [
  { name = "1", file = "a.wav", starts = "time reference" },   # first
  # timing: late; it was 2.5
  { name = "2", file = "b.wav", shift_ms = -9.5, notes = { mic = "a" }, move = [{ from = 1.0, to = 2, by_ms = 3 }] },
]
play = "2"  # choose: most of the song
comp = [  # choose: other passes
  { from = 1.5, to = 4, pass = "1" },  # verse
]
pan = -100
"""
_CHUNKS = (b"RIFF", b"RF64", b"WAVE", b"fmt ", b"data", b"ds64", b"bext", b"FORM", b"AIFF", b"COMM", b"SSND", b"fLaC",
           b"caff", b"desc", b"riff", b"\x00" * 16, b"\xff" * 16)
_KINDS = (("WAV", "PCM_16", 1), ("WAV", "PCM_24", 2), ("WAV", "FLOAT", 1), ("WAVEX", "PCM_24", 3),
          ("AIFF", "PCM_24", 1), ("FLAC", "PCM_24", 1), ("RF64", "PCM_24", 1), ("W64", "PCM_16", 1),
          ("CAF", "PCM_24", 1), ("WAV", "DOUBLE", 1), ("WAV", "PCM_32", 1))


class Recipes:
    """The recipe reader, and the clock of what it lets through."""

    name = "recipes"
    expected = RecipeError

    def __init__(self, folder: Path) -> None:
        self._path = folder / "song.toml"
        full = tomlkit.dumps(recipe_of(folder)) + '\n[[tempo]]\nfrom_bar = 3\ntempo = 90.0\n[bed]\nfile = "bed.wav"\n'
        demo = Path(__file__).resolve().parents[2] / "recipes"
        session = tomlkit.dumps(session_of(folder))
        self._good = [*(text.encode() for text in (full, session, _IN_LISTS)),
                      *(path.read_bytes() for path in sorted(demo.glob("*.toml")))]
        self._pieces = tuple(word.encode("utf-8", "surrogatepass") for word in _WORDS)

    def make(self, picked: random.Random) -> bytes:
        """One input."""
        good = picked.choice(self._good)
        if picked.random() < 0.4:
            # A value replaced as a whole reaches deeper than bytes do.
            lines = good.split(b"\n")
            n = picked.randrange(len(lines))
            key, equals, _ = lines[n].partition(b"=")
            lines[n] = key + equals + b" " + picked.choice(self._pieces)
            return b"\n".join(lines)
        return mutated(good, picked, self._pieces, head=4_000)

    def feed(self, content: bytes) -> None:
        """Read it, from the file and from its text, and lay its sections on the clock."""
        self._path.write_bytes(content)
        file = read_recipe(self._path)
        parse_recipe(self._path, file.text)
        tempo_map = TempoMap.of(file.recipe)
        if tempo_map.has_grid:
            for section in file.recipe.section:
                tempo_map.span_s(section)
        if len(content) % EDITED_EVERY == 0:
            self._edit(file)

    def _edit(self, file: RecipeFile) -> None:
        """Change what commands change; a recipe that cannot be changed safely is refused as such."""
        layer = file.recipe.layer[0]
        take = layer.take[0]
        passes = [one.name for one in take.passes]
        edits: list[Callable[[], Change]] = [
            lambda: write_shift(self._path, layer.name, take.name, -7.3, "late", passes),
            lambda: remove_shifts(self._path), lambda: remove_moves(self._path), lambda: remove_comps(self._path)]
        if passes:
            parts = [NewPart(1.0, 2.0, passes[0])]
            edits.append(lambda: set_comp(self._path, layer.name, take.name, passes[-1], parts))
        for edit in edits:
            with contextlib.suppress(OutputError, RecipeError):
                edit()


class Sounds:
    """The audio door: facts, then the sound as far as it goes."""

    name = "sounds"
    expected = AudioError

    def __init__(self, folder: Path) -> None:
        self._path = folder / "take.wav"
        tone = 0.2 * np.sin(np.arange(600) / 7)
        good = []
        for kind, subtype, channels in _KINDS:
            path = folder / "good"
            soundfile.write(path, np.repeat(tone[:, None], channels, axis=1), 48_000, subtype=subtype, format=kind)
            good.append(path.read_bytes())
        for n, name in enumerate(BAD):
            corner = folder / f"bad{n}"
            corner.mkdir()
            path = make_bad(corner, name)
            if path.is_file() and not path.is_symlink() and path.stat().st_size < 1 << 20:
                good.append(path.read_bytes())
        self._good = good
        # Cut at every byte of every header, once.
        self._cuts = [whole[:n] for whole in good[: len(_KINDS)] for n in range(min(len(whole), 130))]

    def make(self, picked: random.Random) -> bytes:
        """One input."""
        if self._cuts and picked.random() < 0.5:
            return self._cuts.pop()
        return mutated(picked.choice(self._good), picked, _CHUNKS, head=140)

    def feed(self, content: bytes) -> None:
        """Open and read it to its end."""
        self._path.write_bytes(content)
        facts = inspect(self._path)
        scan(facts)
        file = StereoFile(self._path, facts=facts)
        try:
            for start in range(0, min(facts.frames, 1 << 20), _READ_FRAMES):
                file.read(start, min(start + _READ_FRAMES, facts.frames))
        finally:
            file.close()


Target = Recipes | Sounds | Texts | Manifests
TARGETS: dict[str, Callable[[Path], Target]] = {"recipes": Recipes, "sounds": Sounds, "texts": Texts,
                                               "manifests": Manifests}


class TooLongError(BaseException):
    """An input takes too long."""


def run(target_name: str, count: int, seed: int, folder: Path, *, longest_s: float,
        memory_mb: int) -> tuple[dict[str, object], list[str]]:
    """Feed one target so many inputs, in processes of their own, for a crash would take the bench with it."""
    begun = time.perf_counter()
    target = TARGETS[target_name](folder)
    let_through = refused = 0
    complaints: list[str] = []
    slowest_s, peak_mb = 0.0, 0.0
    picked = random.Random(seed)
    for first in range(0, count, BATCH):
        inputs = [target.make(picked) for _ in range(min(BATCH, count - first))]
        read_end, write_end = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(read_end)
            with os.fdopen(write_end, "w") as out:
                for line in _batch(target, inputs, first, longest_s, memory_mb):
                    print(line, file=out, flush=True)
            os._exit(0)
        os.close(write_end)
        with os.fdopen(read_end) as answers:
            for line in answers:
                word, _, rest = line.rstrip("\n").partition(" ")
                if word == "through":
                    let_through += 1
                elif word == "refused":
                    refused += 1
                elif word == "peak":
                    slow, peak = rest.split()
                    slowest_s, peak_mb = max(slowest_s, float(slow)), max(peak_mb, float(peak))
                else:
                    complaints.append(f"{target_name}, seed {seed}, {rest}")
                    print(complaints[-1], file=sys.stderr, flush=True)
        _, status = os.waitpid(child, 0)
        if status:
            complaints.append(f"{target_name}, seed {seed}: the process died in inputs {first} to "
                              f"{first + len(inputs)} ({status})")
    return {"target": target_name, "inputs": count, "let_through": let_through, "refused": refused,
            "slowest_ms": round(1000 * slowest_s, 1), "peak_mb": round(peak_mb),
            "seconds": round(time.perf_counter() - begun, 1)}, complaints


def _batch(target: Target, inputs: list[bytes], first: int, longest_s: float,
           memory_mb: int) -> Iterator[str]:
    """Answers of a batch, one line an input."""
    resource.setrlimit(resource.RLIMIT_AS, (_size_now() + (memory_mb << 20), resource.RLIM_INFINITY))
    signal.signal(signal.SIGPROF, _too_long)
    slowest = 0.0
    for n, content in enumerate(inputs, first):
        begun = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, longest_s)
        try:
            target.feed(content)
            yield "through"
        except target.expected as refusal:
            yield "refused" if str(refusal).strip() else f"odd input {n}: refused without a word"
        except LayerpipeError as refusal:
            yield f"odd input {n}: {type(refusal).__name__}: {refusal}".replace("\n", " ")
        except TooLongError:
            yield f"odd input {n}: longer than {longest_s} s"
        except BaseException as mistake:
            where = traceback.extract_tb(mistake.__traceback__)[-1]
            words = f"odd input {n}: {type(mistake).__name__}: {mistake} ({where.filename}:{where.lineno})"
            yield words.replace("\n", " ")
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        slowest = max(slowest, time.process_time() - begun)
    yield f"peak {slowest:.4f} {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.1f}"


def _too_long(*_: object) -> None:
    raise TooLongError


def _size_now() -> int:
    """Address space of this process in bytes."""
    with contextlib.suppress(OSError):
        return int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGESIZE")
    return 4 << 30


def main(arguments: list[str] | None = None) -> int:
    """The command."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=20_000, help="inputs for each target")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--longest", type=float, default=2.0, help="processor seconds an input may take")
    asked.add_argument("--memory", type=int, default=200, help="MB an input may ask for")
    asked.add_argument("--target", choices=sorted(TARGETS), action="append")
    found = asked.parse_args(arguments)
    runs, complaints = [], []
    for name in found.target or TARGETS:
        with tempfile.TemporaryDirectory(prefix="soak-fuzz-") as room:
            figures, wrong = run(name, found.count, found.seed, Path(room), longest_s=found.longest,
                                 memory_mb=found.memory)
        runs.append(figures)
        complaints += wrong
    return finish({"soak": "fuzz", "runs": runs}, complaints)


if __name__ == "__main__":
    sys.exit(main())
