"""Fits the artist's page into a size that can be mailed: first sections are shortened, then sound is coded smaller.

Sound is 16-bit FLAC with triangular dither. Encoded sound is much like noise, so a bit less for each sample saves a bit
for each sample.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from layerpipe.core.sound import OnProgress
from layerpipe.outputs.artist_page.loops import PagePart
from layerpipe.outputs.artist_page.model import PageSong


@dataclass(frozen=True)
class SizeLimits:
    """How large a page may be, and what may be given up for it."""

    most_bytes: int = 18_000_000
    """Mail makes 1.37 bytes of each, and 25 MB a message is a usual limit (common practice, no source)."""
    besides_bytes: int = 400_000
    """Room for everything that is not sound."""
    shortest_s: float = 8.0
    """Sections are not shortened below this: two slow bars; own choice."""
    most_bits: int = 16
    fewest_bits: int = 14
    """Dither at 14 bits is at -84 dBFS, still below the noise of a room; own choice."""


@dataclass(frozen=True)
class FittedPage:
    """A page and what was given up for its size.

    Attributes
    ----------
    song : PageSong
    bits : int
    shortened : tuple of (section, seconds asked for, seconds kept)
    """

    song: PageSong
    bits: int
    shortened: tuple[tuple[str, float, float], ...]


def fit_page(parts_within: Callable[[float], Sequence[PagePart]], seconds: float,
             make: Callable[[Sequence[PagePart], int, OnProgress], PageSong], *, limits: SizeLimits,
             on_progress: OnProgress = lambda share: None) -> FittedPage:
    """Make a page that is not larger than allowed, if that is possible.

    Parameters
    ----------
    parts_within : function of seconds
        Cuts the sections to at most so many seconds, at a downbeat.
    seconds : float
        Longest section wanted.
    make : function of parts, bits and a progress callback
    limits : SizeLimits
    on_progress : function of a share
        Called with each share of the first attempt; they add up to 1.

    Returns
    -------
    FittedPage
        Larger than allowed only if the shortest sections at the fewest bits are.
    """
    def excess(page: PageSong) -> float:
        return page_bytes(page) / (limits.most_bytes - limits.besides_bytes)

    wanted = parts = parts_within(seconds)
    page = make(parts, limits.most_bits, on_progress)
    longest_s = max(_lengths_s(parts, page))
    while excess(page) > 1 and longest_s > limits.shortest_s:
        longest_s = max(limits.shortest_s, _longest_for(_lengths_s(parts, page), 1 / excess(page)))
        shorter = parts_within(longest_s)
        if sum(part.frames for part in shorter) < sum(part.frames for part in parts):
            parts = shorter
            page = make(parts, limits.most_bits, lambda share: None)
        else:
            longest_s -= 0.5  # Nothing was cut: every section already ends at a downbeat below.
    bits = limits.most_bits
    while excess(page) > 1 and bits > limits.fewest_bits:
        bits -= 1
        page = make(parts, bits, lambda share: None)
    shortened = tuple((before.name, before.frames / page.rate_hz, now.frames / page.rate_hz)
                      for before, now in zip(wanted, parts, strict=True) if now.frames < before.frames)
    return FittedPage(page, bits, shortened)


def page_bytes(page: PageSong) -> int:
    """Size of the sound in a page, in characters of its text."""
    sounds = (piece for section in page.sections for sound in section.sounds for piece in sound.pieces)
    return sum(len(piece.text) for piece in sounds) + sum(-(-4 * len(section.player) // 3) for section in page.sections)


def _lengths_s(parts: Sequence[PagePart], page: PageSong) -> list[float]:
    return [part.frames / page.rate_hz for part in parts]


def _longest_for(lengths_s: Sequence[float], share: float) -> float:
    """The longest length that keeps this share of the whole: long sections are cut, short ones stay."""
    left_s = share * sum(lengths_s)
    ascending = sorted(lengths_s)
    for n, length_s in enumerate(ascending):
        each_s = left_s / (len(ascending) - n)
        if length_s >= each_s:
            return each_s
        left_s -= length_s
    return ascending[-1]
