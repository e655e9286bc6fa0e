"""Short listening files of the edited spots: two beats around each edit point, before, a pause, after."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from layerpipe.analysis.timing.edits.song_edits import frame_move
from layerpipe.analysis.timing.song_timing import SongTiming, TakeTiming
from layerpipe.audio_files.broadcast_wave import StemWriter
from layerpipe.core.errors import OutputError
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.core.units import frames_of_s
from layerpipe.dsp.quantize import to_pcm
from layerpipe.dsp.splicing import FrameMove
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.moves import MovedTake

PAUSE_S, FADE_S = 0.4, 0.01
PEAK = 0.5
"""Peak of every file, full scale 1: -6 dBFS, the same for before and after."""
BEAT_S = 0.6
"""Length of a beat where the song has no tempo."""


def write_auditions(song: SongTiming, folder: Path, *,
                    before_writing: Callable[[Sequence[Path]], None] = lambda paths: None) -> list[Path]:
    """Write a file for each edit point of the proposed moves and of those the recipe has.

    Parameters
    ----------
    song : SongTiming
    folder : Path
        Made if it is not there; files of the same names are replaced, others stay.
    before_writing : function of paths
        Called with every file, before any is written; it may refuse.

    Returns
    -------
    list of Path

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    planned: dict[Path, tuple[TakeTiming, MovedTake, float]] = {}
    for take in song.takes:
        moves = planned_moves(take)
        if not moves:
            continue
        played = MovedTake(take.open.source, moves)
        for number, joint in enumerate(played.joints(), start=1):
            at_s = (joint.start + joint.stop) / 2 / played.rate_hz
            place = re.sub(r"[/:]", "-", song.tempo_map.text_of(at_s))
            path = folder / f"{take.open.layer.name} {take.open.take.name} {number:02d} at {place}.wav"
            planned[path] = (take, played, at_s)
    before_writing(list(planned))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as refusal:
        raise OutputError(f"{folder}: cannot be made: {refusal.strerror or refusal}") from refusal
    for path, (take, played, at_s) in planned.items():
        sound = _before_and_after(take.open.source, played, at_s, _beat_s(song.tempo_map, at_s))
        pcm, _ = to_pcm(sound, 24)
        with StemWriter(path, played.rate_hz, 1, 24, len(pcm)) as writer:
            writer.write(pcm)
    return list(planned)


def planned_moves(take: TakeTiming) -> list[FrameMove]:
    """The moves of the recipe and the proposed ones, in frames."""
    proposed = [frame_move(move, take.open) for move in take.moves]
    return sorted([*take.open.heard_moves(), *proposed], key=lambda move: move.start)


def _beat_s(tempo_map: TempoMap, at_s: float) -> float:
    """Length of a beat there."""
    return tempo_map.beat_s(tempo_map.bar_at(at_s)) if tempo_map.has_grid else BEAT_S


def _before_and_after(before: Sound, after: Sound, at_s: float, beat_s: float) -> FloatArray:
    """One beat on either side of a moment, before and after the edit, at one gain."""
    rate_hz = before.rate_hz
    first = max(frames_of_s(at_s - beat_s, rate_hz), 0)
    last = min(frames_of_s(at_s + beat_s, rate_hz), before.frames)
    pieces: Sequence[FloatArray] = [before.read(first, last).copy(), after.read(first, last).copy()]
    fade = np.linspace(0, 1, min(frames_of_s(FADE_S, rate_hz), (last - first) // 2))
    for piece in pieces:
        piece[: len(fade)] *= fade
        piece[len(piece) - len(fade) :] *= fade[::-1]
    loudest = max(float(np.abs(piece).max(initial=0.0)) for piece in pieces)
    gain = PEAK / loudest if loudest > 0 else 1.0
    return np.concatenate([pieces[0], np.zeros(frames_of_s(PAUSE_S, rate_hz)), pieces[1]]) * gain
