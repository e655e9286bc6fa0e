"""Session folders under other names: shorthand, one folder per part, long names, Polish, and words that mean nothing.

The sounds and the truth are those of `session_folders`; only names change. Under the made-up words a mix, a click
track, a memo, an octave pair and a second microphone can be told by their sound alone. Habits: common practice, no
source.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from tests.support.sessions.session_folders import FolderPlan
from tests.support.sessions.session_truth import FileTruth

STYLES = ("shorthand", "folders", "long", "polish", "made-up")
_SHORTHAND = {"steel": "AG", "high strung": "AG 8va", "thin": "Sparkle", "electric": "EG", "nylon": "Cls",
              "lead": "LV", "choir": "BGV", "bass": "Bass", "bed": "RUFF v2", "click": "CLK",
              "memo": "Voice Note 004", "talk": "TB"}
_ENGLISH = {"steel": "Acoustic", "high strung": "Nashville", "thin": "Glass", "electric": "Tele", "nylon": "Spanish",
            "lead": "Vocal", "choir": "Harmony", "bass": "Bass", "bed": "Monitor Mix", "click": "Metronome",
            "memo": "Phone Idea", "talk": "Chatter"}
_LONG = {"steel": "Steel String Gtr", "high strung": "High Strung Gtr", "thin": "Top Gtr", "electric": "Electric Gtr",
         "nylon": "Classical Gtr", "lead": "Main Vocal", "choir": "Backing Vocals", "bass": "Bass Gtr",
         "bed": "Rough Bounce", "click": "Click", "memo": "Voice Memo", "talk": "Slate"}
_POLISH = {"steel": "git akustyczna", "high strung": "gitara oktawa", "thin": "git cienka", "electric": "elektryczna",
           "nylon": "git klasyczna", "lead": "wokal", "choir": "chórki", "bass": "bas", "bed": "miks roboczy",
           "click": "klik", "memo": "notatka głosowa", "talk": "rozmowa"}
_SYLLABLES = ("ka", "lo", "mi", "ru", "te", "vo", "si", "na", "pe", "du", "fo", "gi")


def style_of(number: int) -> str:
    """The style of a folder's number; two numbers in a row share one."""
    return STYLES[number // 2 % len(STYLES)]


def renamed(plan: FolderPlan, style: str = "") -> FolderPlan:
    """The same folder under other names; the style follows from its number unless one is given."""
    style = style or style_of(plan.number)
    rng = np.random.default_rng([71, plan.number])
    made_up: dict[str, str] = {}
    names: dict[str, str] = {}
    for file in plan.truth.files:
        part = _part(file)
        if part not in made_up:
            word = "".join(_SYLLABLES[int(n)] for n in rng.integers(0, len(_SYLLABLES), 3))
            made_up[part] = word if word not in made_up.values() else word + "x"
        names[file.name] = _name(file, part, plan, style, made_up[part])
    if len({name.casefold() for name in names.values()}) != len(names):
        raise ValueError(f"folder {plan.number}: two files of one name")
    files = tuple(dataclasses.replace(file, name=names[file.name]) for file in plan.truth.files)
    return dataclasses.replace(plan, truth=dataclasses.replace(plan.truth, files=files),
                               sounds={names[name]: sound for name, sound in plan.sounds.items()})


def _part(file: FileTruth) -> str:
    """Which word a file needs."""
    if file.role in ("bed", "click"):
        return file.role
    if file.role == "skipped":
        return "memo" if "memo" in file.why else "talk"
    return "thin" if "by its sound" in file.why else file.layer


def _name(file: FileTruth, part: str, plan: FolderPlan, style: str, word: str) -> str:
    """A file's name in a style."""
    unsided = file.layer in plan.truth.unsided_layers
    side = "" if unsided or file.side not in ("L", "R") else file.side
    alike = [other for other in plan.truth.files if (other.layer, other.side) == (file.layer, file.side)]
    several = len({other.pass_number for other in alike}) > 1
    number = file.pass_number if several else "LR".index(file.side) + 1 if unsided else 0
    mic = alike.index(file) if file.role == "mic" and len(alike) > 1 else -1
    if style == "shorthand":
        end = f"{side}{number or ''}" if not unsided else f"0{number}"
        return "_".join(bit for bit in (_SHORTHAND[part], end, ("", "DI", "Amp")[mic + 1]) if bit) + ".wav"
    if style == "folders":
        told = {"L": "Left", "R": "Right"}.get(side, "")
        more = ("", "Mic A", "Mic B")[mic + 1]
        words = " ".join(bit for bit in (_ENGLISH[part], told, more, f"T{number}" if number else "") if bit)
        return f"{_ENGLISH[part]}/{words}.wav"
    if style == "long":
        told = {"L": "(Left)", "R": "(Right)"}.get(side, "")
        more = ("", "U87", "SM57")[mic + 1]
        words = [_LONG[part], told, more, f"take #{number}" if several else f"{number}" if number else ""]
        return f"2021.03.04 Session - {plan.truth.title} - {' '.join(bit for bit in words if bit)} 24bit 48kHz.wav"
    if style == "polish":
        told = {"L": "lewa", "R": "prawa"}.get(side, "")
        more = ("", "blisko", "daleko")[mic + 1]
        return "-".join(bit for bit in (*_POLISH[part].split(), told, more, str(number or "")) if bit) + ".wav"
    more = ("", "one", "two")[mic + 1]
    return "_".join(bit for bit in (word, side, more, f"{number:02d}" if number else "") if bit) + ".wav"
