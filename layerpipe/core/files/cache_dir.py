"""Where layerpipe keeps what it can make again: one cache folder, moved by LAYERPIPE_CACHE."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def cache_folder() -> Path:
    """The folder of the store and of compiled kernels; made by whoever writes into it.

    Without a home to keep it in (some containers), a folder of this user's beside other temporary files.
    """
    asked = os.environ.get("LAYERPIPE_CACHE")
    if asked:
        return Path(asked)
    from platformdirs import user_cache_path

    try:
        return user_cache_path("layerpipe", appauthor=False)
    except (OSError, RuntimeError):
        return Path(tempfile.gettempdir()) / f"layerpipe-{os.getuid() if hasattr(os, 'getuid') else 'cache'}"
