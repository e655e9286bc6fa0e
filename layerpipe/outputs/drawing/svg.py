"""Small drawings as SVG text: envelopes, curves and marks over a time or frequency axis.

Coordinates are whole tenths of a pixel, so that the same numbers give the same bytes. Text is escaped here; numbers
have a true minus sign.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
import numpy.typing as npt

from layerpipe.outputs.drawing.palette import BAND, GREY, INK, RULE

DASHES = ("", "7 3", "2 2.5", "9 3 2 3")
"""Taken in turn beside `palette.LINES`: twelve curves differ."""
_NEGATIVE = re.compile(r"(?<![\w.-])-(?=[\d.\u221e])")
_TICK_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600)


@dataclass
class Chart:
    """A plot; x and y are in the units of the axes.

    Parameters
    ----------
    title : str
        For screen readers.
    x, y : (low, high)
        Ends of the axes; `log_x` spaces x by octaves.
    width, height, left, right, top, bottom : int
        The whole drawing and its margins, in pixels. The caption and section names take the top margin.
    """

    title: str
    x: tuple[float, float]
    y: tuple[float, float]
    width: int = 920
    height: int = 200
    log_x: bool = False
    left: int = 46
    right: int = 16
    top: int = 18
    bottom: int = 22
    _parts: list[str] = field(default_factory=list)

    def place(self, x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Pixels of points, shape (points, 2); points outside the plot are moved to its edge."""
        across, up = np.asarray(x, np.float64), np.asarray(y, np.float64)
        low, high = self.x
        share = np.log(across / low) / math.log(high / low) if self.log_x else (across - low) / (high - low)
        height = (np.clip(np.nan_to_num(up, neginf=self.y[0], posinf=self.y[1]), *self.y) - self.y[0]) / (
            self.y[1] - self.y[0])
        return np.stack(np.broadcast_arrays(
            self.left + np.clip(share, 0, 1) * (self.width - self.left - self.right),
            self.height - self.bottom - height * (self.height - self.top - self.bottom)), axis=-1)

    def grid(self, xs: Iterable[tuple[float, str]], ys: Iterable[tuple[float, str]]) -> None:
        """Faint lines with their labels: x below, y at the left."""
        foot, head = self.height - self.bottom, self.top
        for value, words in ys:
            at = float(self.place([self.x[0]], [value])[0, 1])
            self._line(self.left, at, self.width - self.right, at, RULE, 0.7)
            self._text(self.left - 5, at + 3.5, true_minus(words), "end", GREY)
        for value, words in xs:
            at = float(self.place([value], [self.y[0]])[0, 0])
            self._line(at, foot, at, foot + 4, GREY, 0.8)
            if self.log_x:
                self._line(at, head, at, foot, RULE, 0.7)
            self._text(at, foot + 15, words, "middle", GREY)
        self._line(self.left, foot, self.width - self.right, foot, GREY, 0.8)

    def marks(self, spans: Sequence[tuple[str, float, float]], *, named: bool = True) -> None:
        """Sections: a faint band for every second one, names above where they fit."""
        for n, (name, start, stop) in enumerate(spans):
            (begin, head), (end, _) = self.place([start, stop], [self.y[1], self.y[1]]).tolist()
            foot = self.height - self.bottom
            if n % 2 == 0:
                self._parts.append(f'<rect x="{begin:.1f}" y="{head:.1f}" width="{max(end - begin, 0):.1f}" '
                                   f'height="{foot - head:.1f}" fill="{BAND}"/>')
            self._line(begin, head - 12 if named else head, begin, foot, "#bbbbbb", 0.8)
            room = int((end - begin - 6) / 5.6) if named else 0
            if room >= 2:
                self._text(begin + 4, head - 4, name if len(name) <= room else name[: room - 1] + "…", "start", INK)

    def band(self, x: npt.ArrayLike, low: npt.ArrayLike, high: npt.ArrayLike, colour: str) -> None:
        """A filled envelope between two curves."""
        upper, lower = self.place(x, high), self.place(x, low)
        self._parts.append(f'<path d="{_path(np.concatenate([upper, lower[::-1]]))}Z" fill="{colour}"/>')

    def curve(self, x: npt.ArrayLike, y: npt.ArrayLike, colour: str, *, dash: str = "", width: float = 1.5) -> None:
        """A line; gaps where y is nan."""
        across, up = np.asarray(x, np.float64), np.asarray(y, np.float64)
        heard = ~np.isnan(up)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], heard, [False]]).astype(np.int8)))
        runs = zip(edges[::2], edges[1::2], strict=True)
        paths = [_path(self.place(across[a:b], up[a:b])) for a, b in runs if b - a > 1]
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._parts.append(f'<path d="{"".join(paths)}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dashed} '
                           'stroke-linejoin="round"/>')

    def caption(self, words: str) -> None:
        """A line above the plot, where no curve can meet it."""
        self._text(self.left, 12, words, "start", INK)

    def svg(self) -> str:
        """The drawing, to be put into a page."""
        return (f'<svg viewBox="0 0 {self.width} {self.height}" role="img" aria-label="{escape(self.title)}" '
                f'font-family="Helvetica, Arial, sans-serif" font-size="10.5">{"".join(self._parts)}</svg>')

    def _line(self, x1: float, y1: float, x2: float, y2: float, colour: str, width: float) -> None:
        self._parts.append(f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="{colour}" '
                           f'stroke-width="{width:g}"/>')

    def _text(self, x: float, y: float, words: str, anchor: str, colour: str) -> None:
        self._parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">'
                           f'{escape(words)}</text>')


def stacked(charts: Sequence[Chart], title: str) -> str:
    """Several charts under each other as one SVG file."""
    height, parts = 0, []
    for chart in charts:
        parts.append(f'<g transform="translate(0 {height})">{"".join(chart._parts)}</g>')
        height += chart.height
    width = max((chart.width for chart in charts), default=1)
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {max(height, 1)}" width="{width}" '
            f'height="{max(height, 1)}" role="img" aria-label="{escape(title)}" '
            f'font-family="Helvetica, Arial, sans-serif" font-size="10.5">'
            f'<rect width="100%" height="100%" fill="#fff"/>'
            f'{"".join(parts)}</svg>\n')


def true_minus(words: str) -> str:
    """Words in which every negative number has the minus sign U+2212; hyphens inside words and names stay."""
    return _NEGATIVE.sub("\u2212", words)


def seconds_ticks(seconds: float, most: int = 10) -> list[tuple[float, str]]:
    """Round times along an axis, as minutes and seconds; at most `most` and the one at 0."""
    hours = 3600 * math.ceil(seconds / most / 3600)
    step = next((step for step in _TICK_STEPS_S if seconds / step <= most), hours)
    return [(float(at), f"{at // 60}:{at % 60:02d}") for at in range(0, int(seconds) + 1, step)]


def _path(points: npt.NDArray[np.float64]) -> str:
    """Points as path data: tenths of a pixel, each a step from the last, which is short and the same everywhere."""
    tenths = np.rint(points * 10).astype(np.int64)
    first, steps = tenths[0], np.diff(tenths, axis=0)
    moved = "".join(f"{_tenth(dx)} {_tenth(dy)} " for dx, dy in steps.tolist() if dx or dy)
    return f"M{_tenth(int(first[0]))} {_tenth(int(first[1]))}l{moved.rstrip()}" if moved else (
        f"M{_tenth(int(first[0]))} {_tenth(int(first[1]))}h0")


def _tenth(value: int) -> str:
    """Tenths of a pixel as pixels, without needless digits."""
    whole, rest = divmod(abs(value), 10)
    sign = "-" if value < 0 else ""
    return f"{sign}{whole}" if not rest else f"{sign}{whole if whole else ''}.{rest}"
