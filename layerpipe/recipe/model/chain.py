"""The processing of a take: filters and compressor.

Annotations are not postponed here; see `types.py`.
"""

from typing import Annotated, Literal

from msgspec import Meta

from layerpipe.recipe.model.types import FilterGainDb, FilterHz, Noun, Number


class HighPass(Noun, frozen=True):
    """A Butterworth high-pass filter."""

    hz: Annotated[FilterHz, Meta(description="Corner frequency in Hz, where the response is 3 dB down.")]
    slope_db_per_octave: Annotated[Literal[6, 12, 18, 24], Meta(description="Slope in dB per octave.")] = 12


class Shelf(Noun, frozen=True):
    """A shelving filter of the W3C Audio EQ Cookbook."""

    side: Annotated[Literal["low", "high"], Meta(description="Which end is raised or lowered.")]
    hz: Annotated[FilterHz, Meta(description="Midpoint of the slope in Hz, where half the gain is reached.")]
    gain_db: Annotated[FilterGainDb, Meta(description="Gain of the shelf in dB.")]
    slope: Annotated[Number, Meta(
        gt=0.0, le=1.0, description="Shelf slope S, no unit; 1 is the steepest without overshoot.")] = 1.0


class Bell(Noun, frozen=True):
    """A peaking filter of the W3C Audio EQ Cookbook."""

    hz: Annotated[FilterHz, Meta(description="Centre frequency in Hz.")]
    gain_db: Annotated[FilterGainDb, Meta(description="Gain at the centre in dB.")]
    q: Annotated[Number, Meta(ge=0.1, le=30.0, description="Q: higher is narrower.")] = 1.0


class Compressor(Noun, frozen=True):
    """A feed-forward compressor in the log domain. Exactly one of `threshold_db` and `hits_db` is given."""

    threshold_db: Annotated[Annotated[Number, Meta(ge=-80.0, le=0.0)] | None, Meta(
        description="Level in dBFS above which the gain is reduced.")] = None
    hits_db: Annotated[Annotated[Number, Meta(gt=0.0, le=24.0)] | None, Meta(
        description="Instead of a threshold: gain reduction in dB at the peaks of the loudest strums.")] = None
    ratio: Annotated[Number, Meta(
        ge=1.0, le=100.0, description="Ratio: dB in for each dB out above the threshold.")] = 2.0
    knee_db: Annotated[Number, Meta(ge=0.0, le=40.0, description="Width of the soft knee in dB.")] = 6.0
    attack_ms: Annotated[Number, Meta(ge=0.0, le=1000.0, description="Time constant of the attack in ms.")] = 10.0
    release_ms: Annotated[Number, Meta(ge=0.0, le=5000.0, description="Time constant of the release in ms.")] = 120.0
    makeup_db: Annotated[FilterGainDb, Meta(description="Gain after the reduction in dB.")] = 0.0

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.threshold_db is None and self.hits_db is None:
            raise ValueError("has neither threshold_db nor hits_db; give one of them")
        if self.threshold_db is not None and self.hits_db is not None:
            raise ValueError("has both threshold_db and hits_db; give one of them")


class Chain(Noun, frozen=True):
    """High-passes, shelves and bells in this order, then the compressor."""

    high_pass: Annotated[list[HighPass], Meta(max_length=16, description="High-pass filters, in series.")] = []
    shelf: Annotated[list[Shelf], Meta(max_length=16, description="Low and high shelves, in series.")] = []
    bell: Annotated[list[Bell], Meta(max_length=16, description="Peaking filters, in series.")] = []
    compressor: Annotated[Compressor | None, Meta(description="Compressor; none if omitted.")] = None
