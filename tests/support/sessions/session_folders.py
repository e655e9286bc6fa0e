"""Thirty folders as recording sessions leave them, each with its truth; and what writes their sound.

`plan_folder(n)` draws names and truth without any sound, `write_folder(plan, place)` writes the files. A plan is drawn
from its number alone. Over the thirty: nine languages, ten habits of naming, one to five passes a side, overdubs that
begin later (with a time reference; three without), stamps on all files, on most, on none, or of the time of day, a
rough mix, a click track, two microphones in one file or in two, a memo, talk, mixed rates and bit depths, octave pairs
that say so by name or by sound alone, voices, a bass, a mono take in a stereo file. Habits: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.support.sessions import session_sounds as sounds
from tests.support.sessions.session_names import HABITS, LANGUAGES, Namer
from tests.support.sessions.session_truth import FileTruth, FolderTruth, Role
from tests.support.sounds.song_player import RATE_HZ, Playing, Song, make_song, play_pass
from tests.support.sounds.stamped_wave import FLOAT, PCM_16, PCM_24, write_wave

FOLDERS = 30
SHORTEST_S = 21.0
STAMPS = ("all", "none", "most", "none", "all", "same", "most", "none", "none", "clock")
"""By the last digit of a folder's number. `same`: every file begins at one stamp; `clock`: the time of day of each
recording, which tells no place in the song."""
OVERDUBS_UNSTAMPED = "none"
"""Folders with an overdub and these stamps (8, 18, 28) need one start that no file tells."""
PASSES = (1, 2, 5, 1, 3, 1, 4, 2, 1, 3)


@dataclass(frozen=True)
class _Sound:
    """What a file holds."""

    kind: str
    seed: int
    first_bar: int = 1
    up: int = 0


@dataclass
class FolderPlan:
    """A folder before it is written."""

    number: int
    song: Song
    truth: FolderTruth
    sounds: dict[str, _Sound] = field(default_factory=dict)
    texts: tuple[str, ...] = ()
    """Files that hold no sound."""


class _Planner:
    """Draws the files of one folder."""

    def __init__(self, number: int) -> None:
        self.rng = np.random.default_rng([61, number])
        self.number = number
        self.song = next(song for bars in (3, 4, 5, 6, 7)
                         if (song := make_song(900 + number, sections=3, bars=bars)).seconds >= SHORTEST_S)
        self.language = LANGUAGES[list(LANGUAGES)[number % len(LANGUAGES)]]
        self.namer = Namer(self.language, HABITS[(number * 7 + number // 10) % len(HABITS)], self.rng)
        self.stamps = STAMPS[number % 10]
        self.zero_s = float(self.rng.choice([0.0, 3600.0, 36_000.0]))
        self.main = (int(self.rng.choice([44_100, 48_000])), PCM_24)
        self.other = ((96_000, PCM_24), (44_100, PCM_16), (48_000, FLOAT))[number % 3]
        self.clock_s = float(self.rng.integers(36_000, 72_000))
        self.files: list[FileTruth] = []
        self.sounds: dict[str, _Sound] = {}
        self.octaves: set[str] = set()
        self.unsided: set[str] = set()

    def add(self, part: str, role: Role, sound: _Sound, why: str, *, layer: str = "", side: str = "",
            pass_number: int = 1, number: int | None = None, more: str = "", unsided: int = 0, channels: int = 1,
            start_s: float = 0.0, form: tuple[int, str] | None = None, stamped: bool | None = None) -> None:
        """Name a file and note what is true of it."""
        rate_hz, subtype = form or self.main
        name = self.namer.name(part, side=side if side != "C" and not unsided else "", number=number, more=more,
                               unsided=unsided if unsided > 0 else 0)
        stamp_s = self._stamp_s(start_s, rate_hz, stamped)
        if stamp_s is not None and self.stamps != "clock":
            start_s = round(stamp_s - self.zero_s, 7)
        self.files.append(FileTruth(name, role, why, layer, side, pass_number, channels, start_s, stamp_s, rate_hz,
                                    subtype))
        self.sounds[name] = sound

    def _stamp_s(self, start_s: float, rate_hz: int, stamped: bool | None) -> float | None:
        """The stamp of a file that begins at a place, on a whole sample of its rate."""
        if self.stamps == "none" or stamped is False:
            return None
        if self.stamps == "clock":
            self.clock_s += self.song.seconds + float(self.rng.integers(20, 300))
            return round(self.clock_s * rate_hz) / rate_hz
        if self.stamps == "most" and stamped is None and not start_s and self.files and self.rng.random() < 0.3:
            return None
        return round((self.zero_s + start_s) * rate_hz) / rate_hz

    def seed(self) -> int:
        """A seed for one file's sound."""
        return self.number * 1000 + len(self.files)

    def pair(self, part: str, kind: str, why: str, *, layer: str, passes: int = 1, first_bar: int = 1, up: int = 0,
             sides_told: bool = True, form: tuple[int, str] | None = None) -> None:
        """Two takes, left and right, of one or several passes each; the last of many may begin at the chorus."""
        by_word = not sides_told and self.rng.random() < 0.5
        for side in "LR":
            # The second side of a part is often recorded in fewer passes.
            passes -= side == "R" and passes > 3
            for n in range(1, passes + 1):
                late = 1 + self.song.bars // 3 if passes > 2 and n == passes and self.stamps in ("all", "most") else 1
                begin = max(first_bar, late)
                unsided = 0 if sides_told else -1 if by_word else "LR".index(side) + 1
                self.add(part, "pass" if passes > 1 else "take", _Sound(kind, self.seed(), begin, up), why, layer=layer,
                         side=side, pass_number=n, number=n if passes > 1 else None,
                         more="double" if by_word and side == "R" else "", unsided=unsided, form=form,
                         start_s=self.begins_s(begin), stamped=True if begin > 1 else None)
        if not sides_told:
            self.unsided.add(layer)

    def begins_s(self, first_bar: int) -> float:
        """Where a file begins that is recorded from a bar on."""
        return 0.0 if first_bar == 1 else round(self.song.downbeat_s(first_bar) - 0.5, 3)

    def guitars(self) -> None:
        """The regular pair, the octave pair, an overdub, one guitar before two microphones."""
        n, passes = self.number, PASSES[self.number % 10]
        if passes == 1 and n % 4 == 1:
            for side in "LR":
                seed = self.seed()
                for more in ("near", "far"):
                    self.add("steel", "mic", _Sound(f"steel {more}", seed), "one of two microphones of one performance",
                             layer="steel", side=side, more=more)
        else:
            self.pair("steel", "steel", "regular guitar", layer="steel", passes=passes)
        if n % 3 != 2:
            named = n % 2 == 0
            why = "high-strung guitar" if named else "high-strung guitar, told by its sound alone"
            self.pair("octave" if named else "thin", "high strung", why, layer="high strung",
                      passes=2 if n % 10 == 6 else 1)
            self.octaves.add("high strung")
        if n % 2 == 0:
            bar = 1 + self.song.bars // 3 * 2
            if self.stamps == OVERDUBS_UNSTAMPED:
                self.add("electric", "take", _Sound("electric", self.seed(), bar), "overdub that begins later, untold",
                         layer="electric", side="C", start_s=self.begins_s(bar), form=self.other)
            else:
                self.pair("electric", "electric", "overdub that begins later", layer="electric", first_bar=bar,
                          sides_told=n % 4 != 2, form=self.other)
        elif n % 6 == 1:
            self.add("electric", "take", _Sound("electric twice", self.seed()), "one take, the same in both channels",
                     layer="electric", side="C", channels=2)
        if n % 4 == 0:
            self.add("nylon", "mic", _Sound("nylon both", self.seed()),
                     "two microphones of one performance in one file", layer="nylon", side="C", channels=2)
        elif n % 8 == 2:
            seed = self.seed()
            for more in ("near", "far"):
                self.add("nylon", "mic", _Sound(f"nylon {more}", seed), "one of two microphones of one performance",
                         layer="nylon", side="C", more=more)

    def others(self) -> None:
        """Voices, bass, mix, click, talk."""
        n = self.number
        if n % 3 != 2:
            passes = 3 if n % 5 == 1 and self.namer.numbers_by_word else 1
            for number in range(1, passes + 1):
                self.add("lead", "pass" if passes > 1 else "take", _Sound("voice", self.seed()), "lead voice",
                         layer="lead", side="C", pass_number=number, number=number if passes > 1 else None)
        if n % 3 == 0:
            self.pair("choir", "voice", "backing voices", layer="choir", up=2)
        if n % 4 in (1, 2):
            self.add("bass", "take", _Sound("bass", self.seed()), "bass", layer="bass", side="C")
        if n % 5 != 4:
            self.add("mix", "bed", _Sound("mix", self.seed()), "rough mix", channels=2, form=(self.main[0], PCM_16),
                     stamped=None if self.stamps == "clock" else True)
        if n % 3 != 1:
            self.add("click", "click", _Sound("click", n), "click track", form=(self.main[0], PCM_16))
        if n % 2 == 1:
            self.add("memo", "skipped", _Sound("memo", self.seed()), "voice memo of a phone", form=(44_100, PCM_16),
                     stamped=False)
        if n % 7 == 3:
            self.add("talk", "skipped", _Sound("talk", self.seed()), "talk between takes", stamped=False)


def plan_folder(number: int) -> FolderPlan:
    """Draw folder `number`, from 0; the thirty of the set are 0 to 29."""
    planner = _Planner(number)
    planner.guitars()
    planner.others()
    song = planner.song
    placed = planner.stamps in ("all", "most") and any(file.start_s for file in planner.files)
    truth = FolderTruth(planner.language.title, tuple(planner.files), frozenset(planner.octaves),
                        frozenset(planner.unsided), song.tempo, song.meter, song.bar_one_s, song.bar_s,
                        planner.zero_s if placed else None)
    return FolderPlan(number, song, truth, planner.sounds, ("notes.txt",) if number % 4 == 3 else ())


def write_folder(plan: FolderPlan, place: Path) -> Path:
    """Write a planned folder's files into a new folder inside `place`.

    Returns
    -------
    Path
        The folder.
    """
    folder = place / f"{plan.number:02d} {plan.truth.title}"
    folder.mkdir(parents=True)
    made: list[npt.NDArray[np.float64]] = []
    for file in plan.truth.files:
        sound = _make(plan, file, made)
        if sound.ndim == 1 and not file.start_s and file.layer and len(made) < 4:
            made.append(sound)
        if file.rate_hz != RATE_HZ:
            import soxr

            sound = soxr.resample(sound, RATE_HZ, file.rate_hz)
        reference = None if file.stamp_s is None else round(file.stamp_s * file.rate_hz)
        write_wave(folder / file.name, np.clip(sound, -0.999, 0.999), file.rate_hz, file.subtype,
                   time_reference_frames=reference, stamp_last=plan.number % 3 == 1)
    for name in plan.texts:
        (folder / name).write_text("capo 2, second verse softer\n", "utf-8")
    return folder


def _make(plan: FolderPlan, file: FileTruth, made: list[npt.NDArray[np.float64]]) -> npt.NDArray[np.float64]:
    """The sound of a file at RATE_HZ."""
    song, what = plan.song, plan.sounds[file.name]
    kind, _, rest = what.kind.partition(" ")
    if kind == "voice":
        return sounds.sing(song, what.seed, up=what.up, first_bar=what.first_bar)[0]
    if kind in ("memo", "talk"):
        return sounds.talk(what.seed, 6.0 + what.seed % 7, phone=kind == "memo")
    if kind == "click":
        return sounds.click_track(song, what.seed)
    if kind == "bass":
        return sounds.bass_line(song, what.seed)
    if kind == "mix":
        return sounds.rough_mix(song, what.seed, [*made, sounds.bass_line(song, what.seed)])
    playing = Playing(high_strung=kind == "high", feel_ms=(what.seed % 7) - 3.0)
    voice = {"high": "steel"}.get(kind, kind)
    near = play_pass(song, what.seed, voice=voice, playing=playing, first_bar=what.first_bar).samples
    if rest == "twice":
        return np.stack([near, near], axis=1)
    if rest in ("both", "far"):
        rng = np.random.default_rng([67, what.seed])
        far = sounds.second_microphone(near, what.seed, delay_ms=float(rng.uniform(0.1, 3.0)),
                                       inverted=bool(rng.random() < 0.3))
        return far if rest == "far" else np.stack([near, far], axis=1)
    return near
