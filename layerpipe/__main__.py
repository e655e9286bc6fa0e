"""`python -m layerpipe` and the `layerpipe` command: settings that must come before the imports."""

import os
import sys

from layerpipe import __version__

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _KEPT_BYTES = -1, -3, 16 << 20


def main() -> None:
    """Entry point of the `layerpipe` command."""
    if sys.argv[1:] == ["--version"]:
        # Needs no command line library, whose import takes several times as long as the interpreter.
        print(f"layerpipe {__version__}")
        return
    from layerpipe.cli import main as answer

    answer()


def _prepare() -> None:
    """Settings of a process that will import and render."""
    import atexit
    import contextlib
    import ctypes
    import gc

    # Takes run in parallel already; threads inside numpy's matrix products would cost a tenth of the start-up time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Plug-ins of other packages must not change how recipes are read; searching them is a twentieth of the start-up
    # time.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Imports create many objects and no garbage: collecting at the usual rate costs a tenth of the start-up time.
    gc.set_threshold(100_000, 20, 20)
    # At exit all memory goes with the process: a last collection costs a tenth of a short command.
    atexit.register(gc.freeze)
    # glibc returns every large block to the system when it is freed and maps it again page by page, a tenth of a
    # bounce. Up to 16 MiB are kept instead (numbers: malloc.h; other C libraries have other switches or none).
    with contextlib.suppress(AttributeError, OSError, TypeError):
        for switch in (_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD):
            ctypes.CDLL(None).mallopt(switch, _KEPT_BYTES)


# Also in the processes of --jobs, which import this module again.
if sys.argv[1:] != ["--version"]:
    _prepare()

if __name__ == "__main__":
    main()
