"""`layerpipe cache`: the size of the cache, and emptying it."""

from __future__ import annotations

import click

from layerpipe.cli.options import answers, output_options
from layerpipe.cli.terminal import FINE, Terminal

_MIB = 1 << 20


@answers
@click.option("--empty", is_flag=True, help="Remove everything; it is made again when needed.")
@output_options
def cache(empty: bool, as_json: bool, quiet: bool) -> int:
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
