"""What the artist's page is made of: readings and encoded sound, no recipe and no signal processing.

Levels are dB, -inf is off; positions are frames of the song's rate. Every section holds the same layers in the same
order. The first layer is the reference the others are set against, so it has no slider.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.outputs.artist_page.answers.base91 import bytes_of_text, text_of_bytes


@dataclass(frozen=True)
class PagePiece:
    """Stereo FLAC of a piece of a section."""

    text: bytes
    """The FLAC as the page holds it."""
    flac_bytes: int

    @classmethod
    def of_flac(cls, flac: bytes) -> PagePiece:
        """Write FLAC as text."""
        return cls(text_of_bytes(flac), len(flac))

    @property
    def flac(self) -> bytes:
        """The FLAC itself, read from the text."""
        return bytes_of_text(self.text, self.flac_bytes)


@dataclass(frozen=True)
class PageSound:
    """A layer (or the bed) in one section, at level 0 dB once its samples are multiplied by `gain`.

    The page loops it: its last frames already cross over into its first. Where there are several pieces, each begins
    `PageSection.margin` frames early and ends as much late, around the end of the section too.
    """

    pieces: tuple[PagePiece, ...]
    gain: float = 1.0

    @classmethod
    def of_flac(cls, *flacs: bytes, gain: float = 1.0) -> PageSound:
        """Write the FLAC of each piece as text."""
        return cls(tuple(PagePiece.of_flac(flac) for flac in flacs), gain)


@dataclass(frozen=True)
class PageLayer:
    """One layer in one section, and the level the recipe has for it there."""

    name: str
    level_db: float
    sound: PageSound


@dataclass(frozen=True)
class PageSection:
    """One section.

    Attributes
    ----------
    products : np.ndarray [shape=(blocks, pairs), float64]
        For every 400 ms block, one each 100 ms, the mean K-weighted inner products (left and right added) of the
        layers at 0 dB and then the bed: the packed upper triangle, rows first. With gains a the block's mean square
        is a' G a, from which BS.1770 reads the gated loudness.
    reference_lufs : float
        The loudness every setting of this section is brought to.
    waveform : tuple of float
        Outline of the blend from 0 to 1, evenly spaced.
    bars : tuple of (bar, seconds)
        Downbeats inside the section, seconds from its beginning.
    beats_s : tuple of float
        Beats inside the section, seconds from its beginning.
    starts : tuple of int
        First frame of each piece of its sounds.
    margin : int
        Frames that a piece has more on either side; 0 where there is one piece.
    player : bytes
        AAC in an MP4 container of the engineer's setting, for browsers in which no script runs; empty if silent.
    """

    name: str
    frames: int
    layers: tuple[PageLayer, ...]
    bed: PageSound | None
    products: FloatArray
    reference_lufs: float
    waveform: tuple[float, ...]
    bars: tuple[tuple[int, float], ...] = ()
    beats_s: tuple[float, ...] = ()
    player: bytes = b""
    starts: tuple[int, ...] = (0,)
    margin: int = 0

    @property
    def sounds(self) -> tuple[PageSound, ...]:
        """The layers' sounds, then the bed's."""
        return (*(layer.sound for layer in self.layers), *([] if self.bed is None else [self.bed]))


@dataclass(frozen=True)
class PageSetting:
    """A setting the engineer proposes by name; layers it does not mention stay as they are."""

    name: str
    levels_db: Mapping[str, float]


@dataclass(frozen=True)
class PageSong:
    """The whole page.

    Attributes
    ----------
    page_id : str
        16 hexadecimal digits (`page_id`); an answer repeats them.

    Raises
    ------
    ParameterError
        If sections differ in their layers or products, or there is nothing to play.
    """

    title: str
    artist: str
    rate_hz: int
    sections: tuple[PageSection, ...]
    page_id: str
    settings: tuple[PageSetting, ...] = ()
    low_db: float = -24.0
    high_db: float = 0.0
    step_db: float = 0.5
    ceiling_dbfs: float = -1.0
    layers: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        if not self.sections or not self.sections[0].layers:
            raise ParameterError("the page needs at least one section with at least one layer")
        first = self.sections[0]
        object.__setattr__(self, "layers", tuple(layer.name for layer in first.layers))
        for section in self.sections:
            if tuple(layer.name for layer in section.layers) != self.layers:
                raise ParameterError(f'section "{section.name}": its layers must be those of "{first.name}"')
            if (section.bed is None) != (first.bed is None):
                raise ParameterError(f'section "{section.name}": the bed must sound in all sections or in none')
            count = len(section.sounds)
            if section.products.ndim != 2 or section.products.shape[1] != count * (count + 1) // 2:
                raise ParameterError(f'section "{section.name}": products of shape {section.products.shape} '
                                     f"must be (blocks, {count * (count + 1) // 2})")
            if any(len(sound.pieces) != len(section.starts) for sound in section.sounds):
                raise ParameterError(f'section "{section.name}": every sound must have {len(section.starts)} pieces')
            if len(section.products) == 0 or not math.isfinite(section.reference_lufs):
                raise ParameterError(f'section "{section.name}": too short or too quiet to be measured')
        if not (self.low_db < self.high_db and self.step_db > 0):
            raise ParameterError(f"levels from {self.low_db:g} to {self.high_db:g} dB: the first must be the lower")

    def slider_range_db(self, layer: str) -> tuple[float, float]:
        """Lowest and highest level of a layer's slider."""
        at = self.layers.index(layer)
        used = [section.layers[at].level_db for section in self.sections]
        used += [setting.levels_db[layer] for setting in self.settings if layer in setting.levels_db]
        return slider_range_db((self.low_db, self.high_db), self.step_db, used)

    @property
    def has_bed(self) -> bool:
        """Whether there is a rest of the track to listen against."""
        return self.sections[0].bed is not None


def slider_range_db(range_db: Sequence[float], step_db: float, used_db: Sequence[float]) -> tuple[float, float]:
    """Lowest and highest level of a slider, dB: the wanted range, widened by whole steps to the levels in use."""
    finite = [level for level in used_db if math.isfinite(level)]
    low, high = min(range_db[0], *finite, math.inf), max(range_db[1], *finite, -math.inf)
    return math.floor(low / step_db) * step_db, math.ceil(high / step_db) * step_db
