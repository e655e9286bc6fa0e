"""A picture of passes and sections: what is held against each pass in each part, and which ones are chosen."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any

from layerpipe.analysis.choose.choice import Choice
from layerpipe.outputs.drawing.mpl import picture
from layerpipe.outputs.drawing.palette import BLUE, GREY, INK, RULE, VERMILION

MOST_POINTS = 60.0
"""Points of a field in full colour; more look the same."""
DARKEST = 0.75
"""Opacity in full colour: ink on it can still be read."""
LETTERS_PER_INCH = 15
"""Letters that fit into an inch of the picture."""


def draw_choice(choices: Sequence[Choice], title: str, path: Path) -> None:
    """Draw every take with passes: one row for each pass, one column for each part of the song.

    A field has the spread in ms and the faults of the pass there. The fuller its colour, the worse it is beside the
    chosen pass of the other take. What is chosen has a frame.

    Parameters
    ----------
    path : Path
        Ends in .png or .svg; replaced, whole, if it is there.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    shown = [(choice, take) for choice in choices for take, opened in enumerate(choice.takes) if opened.take.passes]
    rows = [len(choice.passes[take]) for choice, take in shown]
    with picture(path, inches=(12.0, 1.2 + 0.42 * sum(rows) + 0.7 * len(shown)), dpi=130, line_width=0.6) as figure:
        figure.suptitle(f" {title}: passes by section; spread in ms, faults", x=0.01, ha="left", fontsize=12)
        for axes, (choice, take) in zip(figure.subplots(len(shown), 1, squeeze=False, height_ratios=rows)[:, 0], shown,
                                        strict=True):
            _draw_take(axes, choice, take)
        _legend(figure)


def _draw_take(axes: Any, choice: Choice, take: int) -> None:
    """The fields of one take."""
    from matplotlib.patches import Rectangle

    edges = [0.0, *accumulate(float(weight) for weight in choice.weights)]
    passes = choice.passes[take]
    axes.set_xlim(0, edges[-1])
    axes.set_ylim(len(passes) - 0.5, -0.5)
    axes.set_yticks(range(len(passes)), [f'pass "{one.name}"' for one in passes])
    axes.set_xticks([(a + b) / 2 for a, b in pairwise(edges)],
                    [_short(span.text, choice, part) for part, span in enumerate(choice.spans)])
    axes.tick_params(length=0)
    axes.set_title(f" {choice.layer} / {choice.takes[take].take.name}", loc="left", fontsize=10)
    for side in axes.spines.values():
        side.set_visible(False)
    for number in range(len(passes)):
        for part in range(len(choice.spans)):
            left, width = edges[part], edges[part + 1] - edges[part]
            share = min(_points(choice, take, number, part) / MOST_POINTS, 1.0)
            axes.add_patch(Rectangle((left, number - 0.5), width, 1, facecolor=VERMILION, alpha=DARKEST * share,
                                     linewidth=0))
            axes.add_patch(Rectangle((left, number - 0.5), width, 1, fill=False, edgecolor=RULE, linewidth=0.6))
            axes.text(left + width / 2, number, _field(choice, take, number, part), ha="center", va="center",
                      color=INK, fontsize=8, clip_on=True)
            if choice.numbers(take)[part] == number:
                axes.add_patch(Rectangle((left, number - 0.5), width, 1, fill=False, edgecolor=BLUE, linewidth=2.4,
                                         zorder=3, clip_on=False))


def _points(choice: Choice, take: int, number: int, part: int) -> float:
    """What is held against a pass in a part, beside the chosen pass of the other take."""
    if take == 0:
        return float(choice.costs[part, number, choice.comp.other[part]])
    return float(choice.costs[part, choice.comp.one[part], number])


def _field(choice: Choice, take: int, number: int, part: int) -> str:
    """Words of a field."""
    measured = choice.passes[take][number].parts[part]
    words = ["--" if measured.spread_ms is None else f"{measured.spread_ms:.0f}"]
    if choice.pairs:
        beside = choice.comp.other[part] if take == 0 else choice.comp.one[part]
        pair = choice.pairs[number][beside] if take == 0 else choice.pairs[beside][number]
        cents = pair.parts[part].cents
        words += ["copy"] if pair.parts[part].same_performance else []
        words += [] if cents is None or abs(cents) < 5 else [f"{cents if take else -cents:+.0f} cents"]
    words += sorted({fault.kind for fault in measured.faults})
    return ", ".join(words)


def _short(words: str, choice: Choice, part: int) -> str:
    """Words that fit under a column."""
    room = int(10.0 * choice.weights[part] / choice.weights.sum() * LETTERS_PER_INCH)
    return words if len(words) <= room else words[: max(room - 1, 1)] + "…"


def _legend(figure: Any) -> None:
    """What colour and frame mean."""
    from matplotlib.patches import Patch

    marks = [Patch(facecolor="none", edgecolor=BLUE, linewidth=2.4, label="chosen"),
             Patch(facecolor=VERMILION, alpha=DARKEST, label=f"{MOST_POINTS:.0f} points or more against it"),
             Patch(facecolor="none", edgecolor=GREY, label="nothing against it")]
    figure.legend(handles=marks, loc="outside lower center", ncols=3, frameon=False)
