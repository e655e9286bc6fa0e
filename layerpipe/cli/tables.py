"""Tables and progress bars of the command line; their cells and titles are made printable here."""

from __future__ import annotations

import io
from typing import Any

from layerpipe.core.text import printable


def new_table(title: str | None = None, **settings: Any) -> Any:
    """An empty table of rich, with a title; titles and cells are made printable. `settings` are those of rich."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    class PrintableTable(Table):
        """A table whose cells are one printable line each."""

        def add_row(self, *cells: Any, **settings: Any) -> None:
            super().add_row(*(printable(cell) for cell in cells), **settings)

    return PrintableTable(title=None if title is None else printable(title), title_justify="left", title_style="bold",
                          box=SIMPLE_HEAD, **settings)


def drawn(table: Any, *, at_terminal: bool = False, encoding: str = "utf-8", width: int | None = None) -> str:
    """A table as text, as wide as the terminal or as asked; in styles only for a terminal."""
    from rich.console import Console

    text = io.TextIOWrapper(io.BytesIO(), encoding, "backslashreplace", newline="\n")
    console = Console(file=text, force_terminal=at_terminal, width=width, highlight=False, emoji=False, markup=False,
                      soft_wrap=not at_terminal and width is None)
    console.print(table)
    text.seek(0)
    return text.read()


def terminal_width() -> int:
    """Columns of the terminal, or 80."""
    from rich.console import Console

    return Console().width


def new_bars() -> Any:
    """Progress bars of rich on stderr, removed at the end."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True, highlight=False, emoji=False, markup=False)
    return Progress(TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn(), console=console,
                    transient=True)
