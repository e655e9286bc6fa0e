"""The songs of a record as a picture: four figures, one row for each song, the median and what is near it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from layerpipe.outputs.drawing.mpl import picture
from layerpipe.outputs.drawing.palette import BAND, BLUE, GREY, RULE, VERMILION
from layerpipe.outputs.levels.album import LIMITS, Album, AlbumSong, around

_ROW_INCHES = 0.34
_MOST_INCHES = 60.0
"""Higher pictures are no pictures; many songs get narrow rows."""


def draw_album(songs: Sequence[AlbumSong], album: Album, path: Path) -> None:
    """Draw every song of a record.

    Parameters
    ----------
    songs : sequence of AlbumSong
    album : Album
        From `compare_album`.
    path : Path
        Ends in .png or .svg; an existing file is replaced.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    rows = range(len(songs))
    panels = (
        (f'"{songs[0].layer}" relative to {songs[0].reference or "the rest"}, LU', [song.distance_lu for song in songs],
         album.distance_lu, LIMITS.distance_lu),
        ("loudness of the blend, LUFS", [song.lufs for song in songs], album.lufs, LIMITS.lufs),
        ("tempo, beats per minute", [song.tempo for song in songs], None, 0.0),
        ("tuning against A4 = 440 Hz, cents", [_beside(song.tuning_cents, album.tuning_cents) for song in songs],
         album.tuning_cents, LIMITS.tuning_cents),
    )
    with picture(path, inches=(13.0, min(1.6 + _ROW_INCHES * len(songs), _MOST_INCHES)), dpi=120,
                 line_width=0.8) as figure:
        all_axes = figure.subplots(1, len(panels), sharey=True)
        for axes, (label, values, middle, most) in zip(all_axes, panels, strict=True):
            if middle is not None:
                axes.axvspan(middle - most, middle + most, color=BAND, zorder=0)
                axes.axvline(middle, color=GREY, linewidth=0.8)
            for row, value in zip(rows, values, strict=True):
                if value is not None:
                    out = middle is not None and abs(value - middle) > most
                    axes.plot([value], [row], "D" if out else "o", color=VERMILION if out else BLUE, markersize=6)
            axes.set_title(label, loc="left", fontsize=9)
            axes.grid(color=RULE, linewidth=0.6)
            axes.set_axisbelow(True)
            for side in ("top", "right"):
                axes.spines[side].set_visible(False)
        for row, song in zip(rows, songs, strict=True):
            known = [value for value in song.sections_lu.values() if value is not None]
            all_axes[0].plot(known, [row] * len(known), "|", color=GREY, markersize=9, zorder=1)
        all_axes[0].set_yticks(list(rows), [song.title for song in songs])
        all_axes[0].set_ylim(len(songs) - 0.5, -0.5)
        figure.supxlabel("Line and area: the median and what is near it. Small strokes: sections. Diamonds stand out.",
                         x=0.01, ha="left", fontsize=8, color=GREY)


def _beside(cents: float | None, middle: float | None) -> float | None:
    """A tuning drawn on the side of the middle it is on; tunings repeat every 100 cents."""
    away = around(cents, middle)
    return cents if away is None or middle is None else middle + away
