"""`python -m layerpipe` and the `layerpipe` command: what is to be set before anything is imported."""

import atexit
import contextlib
import ctypes
import gc
import os

# Takes run side by side already; threads inside numpy's products would cost a tenth of a start and nothing else.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# How a recipe is read is no matter for whatever else is installed, and looking for such takes a twentieth of a start.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
# Imports make many objects and no garbage: looking for it at the usual pace costs a tenth of a start.
gc.set_threshold(100_000, 20, 20)
# At the end all of it goes with the process: searching it once more is a tenth of a short command.
atexit.register(gc.freeze)
# glibc hands every large block back to the system when it is freed and gets it anew, page by page, a tenth of a bounce.
# Up to 16 MB are kept instead (numbers: malloc.h; other C libraries have no such switch, or names for it).
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _KEPT_BYTES = -1, -3, 16 << 20
with contextlib.suppress(AttributeError, OSError, TypeError):
    for _switch in (_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD):
        ctypes.CDLL(None).mallopt(_switch, _KEPT_BYTES)

from layerpipe.cli import main  # noqa: E402 - the imports are what is to be spared

if __name__ == "__main__":
    main()
