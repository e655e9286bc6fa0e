"""A fingerprint of the sound a move was made for, so that a replaced file does not keep moves that no longer fit.

The 48 ms from the start of a move hold the attack that the move was made for. Their Fourier coefficients at twelve
frequencies (80 to 3000 Hz, which every sample rate has) are stored as text: the level in hundredths of a dB, then the
coefficients relative to it. The same sound at another sample rate or bit depth has the same fingerprint within the
tolerance; another performance, another place and another level do not.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.core.units import SILENCE_DB, db_of_gain
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class AttackSettings:
    """What is compared, and how closely."""

    length_s: float = 0.048  # the attack is 8 to 20 ms after the start of a move; two strums are never closer
    lowest_hz: float = 80.0
    highest_hz: float = 3000.0  # below half of any sample rate a take may have
    coefficients: int = 12
    level_tolerance_db: float = 0.02
    tolerance: float = 2e-4  # of a coefficient relative to the level: dither and rounding, nothing more
    floor_db: float = -200.0  # the level of digital silence


ATTACK = AttackSettings()
_SCALE = 32767
_LEVEL_STEPS_PER_DB = 100
_INT16 = np.dtype("<i2")


def attack_text(sound: Sound, start_s: float) -> str:
    """Fingerprint of a take at the start of a move.

    Parameters
    ----------
    sound : Sound
        The take as recorded.
    start_s : float
        Start of the move, seconds.

    Returns
    -------
    str
        36 characters of base64.
    """
    level_db, shape = _describe(sound, start_s)
    numbers = [round(level_db * _LEVEL_STEPS_PER_DB), *np.round(shape * _SCALE)]
    return base64.b64encode(np.array(numbers).astype(_INT16).tobytes()).decode()


def is_same_attack(text: str, sound: Sound, start_s: float) -> bool:
    """Whether a take still has the fingerprint `text` at `start_s`; text that is no fingerprint fits nothing."""
    kept = _numbers(text)
    if kept is None:
        return False
    level_db, shape = _describe(sound, start_s)
    near_level = abs(kept[0] / _LEVEL_STEPS_PER_DB - level_db) <= ATTACK.level_tolerance_db
    return bool(near_level and np.max(np.abs(kept[1:] / _SCALE - shape)) <= ATTACK.tolerance)


def refuse_changed_takes(file: RecipeFile, tempo_map: TempoMap, sounds: Sequence[Sequence[Sound] | None]) -> None:
    """Refuse moves whose pass no longer has the sound they were made for.

    Parameters
    ----------
    file : RecipeFile
    tempo_map : TempoMap
    sounds : sequence of sequences of Sound, or None
        The passes, at their places, of all takes in the order of the recipe; a take with None is not checked.

    Raises
    ------
    RecipeError
        With every move that no longer fits.
    """
    places = [(n, k, take) for n, layer in enumerate(file.recipe.layer) for k, take in enumerate(layer.take)]
    faults: list[Fault] = []
    for (n, k, take), passes in zip(places, sounds, strict=True):
        for number, (one, sound) in enumerate(zip(take.every_pass, passes or (), strict=passes is not None)):
            in_take = ("layer", n, "take", k, *(("passes", number) if take.passes else ()))
            named = " and ".join(dict.fromkeys(mic.file.name for mic in one.every_mic))
            faults += [file.fault(
                (*in_take, "move", m, "attack"),
                f"{named} no longer has the sound this move was made for, or begins elsewhere; remove written moves "
                f'with "layerpipe timing --undo {file.path}", or delete this key to keep the move')
                for m, move in enumerate(one.move)
                if move.attack and not is_same_attack(move.attack, sound, tempo_map.seconds_of(move.start))]
    if faults:
        raise RecipeError(faults)


def _describe(sound: Sound, start_s: float) -> tuple[float, FloatArray]:
    """Level in dB, and the coefficients relative to it, shape (coefficients,)."""
    first = max(int(np.ceil(start_s * sound.rate_hz)), 0)
    last = max(min(int((start_s + ATTACK.length_s) * sound.rate_hz), sound.frames), first)
    samples = sound.read(first, last) if first < sound.frames else np.zeros(0)
    # Times are those of the samples and not of the nearest frame, so that every rate gives the same numbers.
    times_s = np.arange(first, first + len(samples)) / sound.rate_hz - start_s
    window = np.sin(np.pi * times_s / ATTACK.length_s) ** 2
    frequencies_hz = np.geomspace(ATTACK.lowest_hz, ATTACK.highest_hz, ATTACK.coefficients)
    # Alternating cosine and sine, so that the phase counts as well.
    quarter_turns = np.arange(ATTACK.coefficients) % 2
    phases = 2 * np.pi * np.outer(frequencies_hz, times_s) - np.pi / 2 * quarter_turns[:, np.newaxis]
    found = np.cos(phases) @ (window * samples) * 2 / (ATTACK.length_s * sound.rate_hz)
    size = float(np.linalg.norm(found))
    level_db = max(db_of_gain(size), ATTACK.floor_db) if size else SILENCE_DB
    if level_db <= ATTACK.floor_db:
        return ATTACK.floor_db, np.zeros(ATTACK.coefficients)
    return level_db, found / size


def _numbers(text: str) -> npt.NDArray[np.float64] | None:
    """Level and coefficients of a fingerprint; None if the text is none."""
    try:
        raw = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return None
    if len(raw) != _INT16.itemsize * (1 + ATTACK.coefficients):
        return None
    return np.frombuffer(raw, _INT16).astype(np.float64)
