"""`layerpipe cache`: how large the store of processed takes is, and emptying it."""

from __future__ import annotations

from typing import Annotated

import typer

from layerpipe.cli.terminal import FINE, JsonOption, QuietOption, Terminal, answers


@answers
def cache(
    empty: Annotated[bool, typer.Option("--empty", help="Remove every processed take; they are made again.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Show the size of the store of processed takes, or empty it."""
    from layerpipe.render.cache.take_cache import TakeCache

    terminal = Terminal(as_json=as_json, quiet=quiet)
    cache = TakeCache()
    freed = cache.empty() if empty else 0
    size = cache.size_bytes()
    if empty:
        terminal.say(f"{cache.folder}: emptied, {freed / 1e6:.1f} MB freed")
    else:
        terminal.say(f"{cache.folder}: {size / 1e6:.1f} MB of at most {cache.limit_bytes / 1e6:.0f} MB; "
                     "--empty removes it, LAYERPIPE_CACHE moves it, LAYERPIPE_CACHE_LIMIT_MB sets the limit")
    terminal.document({"folder": cache.folder, "bytes": size, "limit_bytes": cache.limit_bytes, "freed_bytes": freed})
    return FINE
