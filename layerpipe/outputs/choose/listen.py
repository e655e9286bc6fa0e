"""Listening files: in every part of the song the best candidates, all of one loudness."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layerpipe.analysis.choose.choice import Choice
from layerpipe.audio_files.broadcast_wave import StemWriter
from layerpipe.core.errors import OutputError
from layerpipe.core.sound import FloatArray
from layerpipe.core.units import frames_of_s
from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.dsp.quantize import to_pcm
from layerpipe.recipe.names import safe_piece, told_apart


@dataclass(frozen=True)
class ListenSettings:
    """What is written."""

    candidates: int = 3
    """In each part, the chosen one among them."""
    most_s: float = 20.0
    """Of a part: enough to decide, and memory stays small."""
    loudness_lufs: float = -23.0
    """Quieter where a peak would be above `peak_db`; EBU R 128 (2023)."""
    peak_db: float = -1.0
    fade_s: float = 0.01


LISTEN = ListenSettings()


def write_candidates(choices: Sequence[Choice], folder: Path, *,
                     before_writing: Callable[[Sequence[Path]], None] = lambda paths: None) -> list[Path]:
    """Write the best candidates of every part; the first take is on the left, the second on the right.

    Parameters
    ----------
    folder : Path
        Made if it is not there; files of the same names are replaced, others stay.
    before_writing : function of paths
        Called with all files that will be written; raises to refuse them.

    Returns
    -------
    list of Path
        In order of the song; the best candidate of a part first.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    asked = [(choice, part, place, numbers) for choice in choices for part in range(len(choice.spans))
             for place, numbers in enumerate(candidates(choice, part), start=1)]
    paths = [folder / f"{name}.wav" for name in told_apart([_name(*one) for one in asked])]
    before_writing(paths)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as refusal:
        raise OutputError(f"{folder}: cannot be made: {refusal.strerror or refusal}") from refusal
    # All are as loud as the one with the highest peaks can be.
    loudness = LISTEN.loudness_lufs
    for choice, part, _, numbers in asked:
        lufs, peak_db = _loudness(_sound(choice, part, numbers), choice.takes[0].source.rate_hz)
        loudness = min(loudness, lufs - peak_db + LISTEN.peak_db) if math.isfinite(lufs) else loudness
    for (choice, part, _, numbers), path in zip(asked, paths, strict=True):
        sound, rate_hz = _sound(choice, part, numbers), choice.takes[0].source.rate_hz
        lufs, _ = _loudness(sound, rate_hz)
        pcm, _ = to_pcm(sound, 24, gain=10 ** ((loudness - lufs) / 20) if math.isfinite(lufs) else 1.0)
        with StemWriter(path, rate_hz, 1 if sound.ndim == 1 else sound.shape[1], 24, len(pcm)) as writer:
            writer.write(pcm)
    return paths


def candidates(choice: Choice, part: int) -> list[tuple[int, ...]]:
    """Passes by take for one part: the chosen ones, then those with the fewest points; copies are not offered."""
    costs = choice.costs[part]
    count = len(choice.takes)
    first = (choice.comp.one[part], choice.comp.other[part])[:count]
    order = [tuple(int(at) for at in np.unravel_index(int(k), costs.shape))[:count]
             for k in np.argsort(costs, axis=None, kind="stable")]
    offered = [numbers for numbers in order if numbers != first
               and not (choice.pairs and choice.pairs[numbers[0]][numbers[1]].parts[part].same_performance)]
    return [first, *offered][: LISTEN.candidates]


def _sound(choice: Choice, part: int, numbers: tuple[int, ...]) -> FloatArray:
    """The passes of a part, each with its take's gain; shape (frames,) or (frames, 2)."""
    span, rate_hz = choice.spans[part], choice.takes[0].source.rate_hz
    first = max(frames_of_s(span.start_s, rate_hz), 0)
    last = max(frames_of_s(min(span.stop_s, span.start_s + LISTEN.most_s), rate_hz), first)
    sides = []
    for take, number in enumerate(numbers):
        sound = choice.passes[take][number].sound
        stop = max(min(last, sound.frames), min(first, sound.frames))
        piece = sound.read(min(first, sound.frames), stop) * 10 ** (choice.takes[take].take.gain_db / 20)
        sides.append(np.pad(piece, (0, last - first - len(piece))))
    found = sides[0] if len(sides) == 1 else np.stack(sides, axis=1)
    fade = np.linspace(0, 1, min(frames_of_s(LISTEN.fade_s, rate_hz), len(found) // 2))
    fade = fade if found.ndim == 1 else fade[:, np.newaxis]
    found[: len(fade)] *= fade
    found[len(found) - len(fade) :] *= fade[::-1]
    return found


def _loudness(sound: FloatArray, rate_hz: int) -> tuple[float, float]:
    """Integrated loudness, -inf if unknown, and peak in dBFS."""
    lufs = measure(sound, rate_hz).integrated_lufs
    peak = float(np.abs(sound).max(initial=0.0))
    return -math.inf if lufs is None else lufs, 20 * math.log10(peak) if peak > 0 else -math.inf


def _name(choice: Choice, part: int, place: int, numbers: tuple[int, ...]) -> str:
    """File name without its ending: layer, part, place in the ranking, passes."""
    who = " ".join(f"{opened.take.name} {choice.passes[take][number].name}"
                   for take, (opened, number) in enumerate(zip(choice.takes, numbers, strict=True)))
    words = f"{choice.layer} {part + 1:02d} {choice.spans[part].name} {place} {who}"
    return safe_piece(f"{words} chosen" if place == 1 else words)
