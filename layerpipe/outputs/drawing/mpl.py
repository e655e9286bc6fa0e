"""Picture files drawn with matplotlib: settings, canvas, and a file that is written completely or not at all.

The same numbers give the same bytes: no date, no version, ids from a fixed salt. Text is not read as a formula.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.files.atomic import whole_file


@contextmanager
def picture(path: Path, *, inches: tuple[float, float], dpi: int, line_width: float) -> Iterator[Any]:
    """Yield an empty figure; what is drawn on it is written when the block ends.

    Parameters
    ----------
    path : Path
        Ends in .png or .svg; an existing file is replaced.
    inches : (float, float)
        Across and up.
    dpi : int
    line_width : float
        Of the axes, points.

    Yields
    ------
    matplotlib.figure.Figure

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    import warnings

    import matplotlib as mpl

    settings: Any = {"svg.hashsalt": "layerpipe", "svg.fonttype": "path", "font.family": "DejaVu Sans", "font.size": 9,
                     "text.parse_math": False, "axes.linewidth": line_width}
    with mpl.rc_context(settings):
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        figure = Figure(figsize=inches, layout="constrained")
        FigureCanvasAgg(figure)
        yield figure
        kind = path.suffix[1:].casefold()
        try:
            with whole_file(path) as new, warnings.catch_warnings():
                # A letter that the font lacks shows as a box in the picture; a warning about it helps nobody.
                warnings.filterwarnings("ignore", message="Glyph")
                figure.savefig(new.file, format=kind, dpi=dpi,
                               metadata={"Software": None} if kind == "png" else {"Date": None, "Creator": None})
        except OSError as refusal:
            raise OutputError(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal
