"""`python -m layerpipe` and the `layerpipe` command: settings that must come before the imports."""

import _signal  # type: ignore[import-not-found]

# Until the command runs nothing can be half-written: an interrupt ends the process at once, without a traceback.
# `signal` itself takes a moment to import.
if _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler:
    _signal.signal(_signal.SIGINT, _signal.SIG_DFL)

import os
import sys

from layerpipe import __version__

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _KEPT_BYTES = -1, -3, 16 << 20


def main() -> int:
    """Entry point of the `layerpipe` command; returns the exit code."""
    if sys.argv[1:] == ["--version"]:
        # Needs no command line library, whose import takes several times as long as the interpreter.
        return _print_version()
    from layerpipe.cli import main as answer

    return answer()


def _print_version() -> int:
    """Print the version without buffers, which would be refused again at exit."""
    try:
        os.write(1, f"layerpipe {__version__}\n".encode())
    except OSError as refusal:
        if sys.stdout is None:
            # The caller closed it.
            return 0
        os.write(2, f"standard output: cannot be written: {refusal.strerror}\n".encode())
        return 1
    return 0


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
    sys.exit(main())
