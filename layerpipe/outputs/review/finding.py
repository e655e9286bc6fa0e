"""One finding of `check`, `timing`, `choose` or `levels` as the review shows it, and the edits it proposes.

Seconds count in the song. Edits hold what is written into the recipe; findings and edits are kept as JSON.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from layerpipe.recipe.edit.toml_text import Location

Source = Literal["check", "timing", "choose", "levels"]
Verdict = Literal["re-record", "edit", "review"]
ORDER: dict[str, int] = {"re-record": 0, "edit": 1, "review": 1}


@dataclass(frozen=True)
class ShiftEdit:
    """A whole take is played later, beside the shift it has."""

    layer: str
    take: str
    by_ms: float
    why: str


@dataclass(frozen=True)
class MoveEdit:
    """A part of a take is played later; seconds of the take before a proposed shift."""

    layer: str
    take: str
    from_s: float
    to_s: float
    by_ms: float
    why: str
    crossfade_ms: float


@dataclass(frozen=True)
class PassesEdit:
    """Takes of a double play other passes."""

    layer: str
    plays: tuple[tuple[str, str, tuple[tuple[float, float, str, str], ...]], ...]
    """Take, the pass it plays, and the parts of its comp: from, to, pass, why."""


@dataclass(frozen=True)
class MicEdit:
    """Shift and polarity of a microphone, or of a take that is one."""

    at: Location
    shift_ms: float
    invert_polarity: bool


@dataclass(frozen=True)
class HighPassEdit:
    """One more high-pass in the chain of a layer, or of a take that has its own."""

    at: Location
    """Of the layer or take."""
    hz: float


@dataclass(frozen=True)
class LevelEdit:
    """The level of a layer in a section."""

    layer: str
    section: str
    level_db: float


Edit = ShiftEdit | MoveEdit | PassesEdit | MicEdit | HighPassEdit | LevelEdit
_EDITS: dict[str, type[Any]] = {kind.__name__: kind for kind in (ShiftEdit, MoveEdit, PassesEdit, MicEdit, HighPassEdit,
                                                                 LevelEdit)}


@dataclass(frozen=True)
class ReviewFinding:
    """What was found, where, and what is proposed.

    Attributes
    ----------
    source : str
        The command that finds it.
    kind : str
        Such as "click", "move", "passes".
    points : float
        How bad it is, for the order; one point is a millisecond between the onsets of a double, as in `choose`.
    layer, take : str
        Names; the take is empty where the whole layer is meant.
    where : str
        The place as a recipe writes it; empty for the whole take.
    text, advice : str
    start_s, stop_s : float, optional
        Of the song; None where no place is known.
    edit : Edit, optional
        None where nothing can be proposed.
    """

    source: Source
    kind: str
    verdict: Verdict
    points: float
    layer: str
    take: str
    where: str
    text: str
    advice: str
    start_s: float | None = None
    stop_s: float | None = None
    edit: Edit | None = None

    @property
    def name(self) -> str:
        """Layer / take."""
        return f"{self.layer} / {self.take}" if self.take else self.layer


def worst_first(findings: list[ReviewFinding]) -> list[ReviewFinding]:
    """What is to be re-recorded, then the rest by points; in order of time where these are equal."""
    return sorted(findings, key=lambda one: (ORDER[one.verdict], -one.points, -1.0 if one.start_s is None else
                                             one.start_s, one.layer, one.take, one.text))


def needed_by(findings: list[ReviewFinding]) -> list[int | None]:
    """Numbers, from 0, of the findings that have to be accepted together with each: moves need their take's shift."""
    shifts = {(one.layer, one.take): number for number, one in enumerate(findings) if isinstance(one.edit, ShiftEdit)}
    return [shifts.get((one.layer, one.take)) if isinstance(one.edit, MoveEdit) else None for one in findings]


def to_json(findings: list[ReviewFinding]) -> list[dict[str, Any]]:
    """Findings as JSON keeps them."""
    return [asdict(one) | {"edit": None if one.edit is None else [type(one.edit).__name__, asdict(one.edit)]}
            for one in findings]


def from_json(kept: list[dict[str, Any]]) -> list[ReviewFinding]:
    """The reverse of `to_json`."""
    return [ReviewFinding(**one | {"edit": None if one["edit"] is None else _edit_from_json(*one["edit"])})
            for one in kept]


def _edit_from_json(kind: str, fields: dict[str, Any]) -> Edit:
    """An edit; lists become tuples."""
    edit: Edit = _EDITS[kind](**{name: _frozen(value) for name, value in fields.items()})
    return edit


def _frozen(value: Any) -> Any:
    return tuple(map(_frozen, value)) if isinstance(value, list) else value
