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
_HELP_COLUMNS = 80


def main() -> int:
    """Entry point of the `layerpipe` command; returns the exit code."""
    ready = _ready_answer(sys.argv[1:])
    if ready is not None:
        return _print_ready(*ready)
    from layerpipe.cli import main as answer

    return answer(_program())


def _ready_answer(words: list[str]) -> tuple[bytes, int] | None:
    """What is printed, and the exit code, where that needs no library: their import takes ten times as long as python.

    Help is kept for terminals of 80 columns and more; `python -m tests.reference` makes it from the commands.
    """
    if words == ["--version"]:
        return f"layerpipe {__version__}\n".encode(), 0
    try:
        if words == ["schema"]:
            return _read("recipe", "recipe.schema.json"), 0
        named = words[0] if len(words) == 2 and words[0].isidentifier() else "layerpipe"
        if words not in ([], ["--help"], [named, "--help"]) or _columns() < _HELP_COLUMNS:
            return None
        return _read("cli", "help", f"{named}.txt").replace(b"{program}", _program().encode()), 0 if words else 2
    except OSError:
        # No such command, or a package that is not a folder.
        return None


def _read(*place: str) -> bytes:
    """A file of the package."""
    with open(os.path.join(os.path.dirname(__file__), *place), "rb") as file:  # noqa: PTH118, PTH120, PTH123
        return file.read()


def _columns() -> int:
    """Width of the terminal as `shutil` finds it, whose import takes a while."""
    asked = os.environ.get("COLUMNS", "")
    if asked.isdecimal() and int(asked):
        return int(asked)
    try:
        return os.get_terminal_size(1).columns or _HELP_COLUMNS
    except OSError:
        return _HELP_COLUMNS


def _program() -> str:
    """What the command was called as."""
    spec = getattr(sys.modules["__main__"], "__spec__", None)
    return os.path.basename(sys.argv[0]) if spec is None else "python -m layerpipe"  # noqa: PTH119


def _print_ready(content: bytes, code: int) -> int:
    """Print without buffers, which would be refused again at exit."""
    try:
        while content:
            content = content[os.write(1, content) :]
    except BrokenPipeError:
        return 1
    except OSError as refusal:
        if sys.stdout is None:
            # The caller closed it.
            return code
        os.write(2, f"standard output: cannot be written: {refusal.strerror}\n".encode())
        return 1
    return code


def _prepare() -> None:
    """Settings of a process that will import and render."""
    import atexit
    import contextlib
    import ctypes
    import gc

    # Takes run in parallel already; threads inside numpy's matrix products would cost a tenth of the start-up time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Plug-ins of other packages must not change how recipes are read. Without a search for them its tools, down to a
    # reader of e-mail, are not imported either: a tenth of the start-up time.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    no_plugins = type(sys)("pydantic.plugin._loader")
    no_plugins.get_plugins = tuple  # type: ignore[attr-defined]
    sys.modules.setdefault(no_plugins.__name__, no_plugins)
    # numpy writes the help texts of its compiled functions, for interactive use, each time it is imported.
    for name in ("numpy._core._add_newdocs", "numpy._core._add_newdocs_scalars"):
        sys.modules.setdefault(name, type(sys)(name))
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
if _ready_answer(sys.argv[1:]) is None:
    _prepare()

if __name__ == "__main__":
    sys.exit(main())
