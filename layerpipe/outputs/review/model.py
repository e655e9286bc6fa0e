"""What the review page is made of: findings with their places, sounds and outlines; no recipe, no signal processing.

A place is played in up to three settings: the take alone, with its double, and in the blend; each as recorded and as
proposed. All of them are mixed from the same few voices by the page.
"""

from __future__ import annotations

from dataclasses import dataclass

from layerpipe.outputs.artist_page.model import PageSound
from layerpipe.outputs.review.finding import ReviewFinding
from layerpipe.outputs.review.place import ReviewPlace

STATES = ("recorded", "proposed")
Factors = tuple[float, float]
"""Left and right factor of a mono voice."""


@dataclass(frozen=True)
class ReviewVoice:
    """One sound of a place as FLAC, already closed to a loop.

    Attributes
    ----------
    sound : PageSound
        As recorded, mono or stereo.
    channels : int
    proposed : PageSound, optional
        Replaces the frames from `proposed_at` on, at the same gain; None where nothing is replaced.
    pans : tuple of (left, right)
        By state, as recorded and as proposed; of a mono voice in its layer.
    """

    sound: PageSound
    channels: int
    pans: tuple[Factors, Factors] = ((1.0, 1.0), (1.0, 1.0))
    proposed: PageSound | None = None
    proposed_at: int = 0

    @property
    def sounds(self) -> tuple[PageSound, ...]:
        """As recorded, then what is proposed if that differs."""
        return (self.sound,) if self.proposed is None else (self.sound, self.proposed)


@dataclass(frozen=True)
class ReviewMix:
    """One setting: which voices sound, and the gains that make all settings of a place equally loud, dB by state."""

    name: str
    """"alone", "double" or "blend"."""
    gains_db: tuple[float, float]


@dataclass(frozen=True)
class ReviewItem:
    """One finding with what is shown and heard of it.

    Attributes
    ----------
    needs : int, optional
        Number, from 0, of the finding that is accepted with it.
    diff : tuple of str
        Lines that leave the recipe ("-") and come into it ("+"); empty where nothing is proposed.
    voices : dict of str to ReviewVoice
        "take", "double" and "rest"; empty where the sound is not in this page.
    alone : tuple of float
        Gain of the take by state where it is heard alone.
    levels : tuple of tuple of float
        The layer's gain by state: one number, or one for every `LEVEL_STEP` frames.
    outlines : dict of str to bytes
        "recorded", "proposed", "double": heights from 0 to 255, evenly spaced.
    """

    finding: ReviewFinding
    place: ReviewPlace
    needs: int | None
    diff: tuple[str, ...]
    voices: dict[str, ReviewVoice]
    alone: tuple[float, float]
    levels: tuple[tuple[float, ...], tuple[float, ...]]
    mixes: tuple[ReviewMix, ...]
    outlines: dict[str, bytes]
    beside: str
    """What the third outline is of."""
    is_changed: bool
    """Whether anything is heard otherwise as proposed."""


@dataclass(frozen=True)
class ReviewSong:
    """The whole page; `page_id` has 8 digits for the song and 8 for its state."""

    title: str
    artist: str
    rate_hz: int
    page_id: str
    items: tuple[ReviewItem, ...]
    without_blend: int = 0
    """Items that are not heard in the blend because the page would be too large."""

    @property
    def silent(self) -> int:
        """Items without sound, for the same reason."""
        return sum(not item.voices for item in self.items)
