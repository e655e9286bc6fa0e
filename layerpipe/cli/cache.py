"""`layerpipe cache`: the size of the cache, and emptying it."""

from __future__ import annotations

from typing import Annotated

import typer

from layerpipe.cli.terminal import FINE, JsonOption, QuietOption, Terminal, answers

_MIB = 1 << 20


@answers
def cache(
    empty: Annotated[bool, typer.Option("--empty", help="Remove everything; it is made again when needed."),
                     ] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Show the size of the cache, or empty it.

    It holds processed takes, and what was heard of recordings.
    """
    from layerpipe.render.cache.take_cache import TakeCache

    terminal = Terminal(as_json=as_json, quiet=quiet)
    cache = TakeCache()
    freed = cache.empty() if empty else 0
    size = cache.size_bytes()
    if empty:
        terminal.say(f"{cache.folder}: emptied, {freed / _MIB:.1f} MiB freed")
    else:
        terminal.say(f"{cache.folder}: {size / _MIB:.1f} MiB of at most {cache.limit_bytes / _MIB:.0f} MiB; "
                     "--empty removes it, LAYERPIPE_CACHE moves it, LAYERPIPE_CACHE_LIMIT_MB sets the limit in MiB")
    terminal.document({"folder": cache.folder, "bytes": size, "limit_bytes": cache.limit_bytes, "freed_bytes": freed})
    return FINE
