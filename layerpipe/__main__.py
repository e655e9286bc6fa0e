"""`python -m layerpipe` and the `layerpipe` command: settings that must come before the imports."""

import atexit
import contextlib
import ctypes
import gc
import os

# Takes run in parallel already; threads inside numpy's matrix products would only cost a tenth of the start-up time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Plug-ins of other packages must not change how recipes are read; searching them is a twentieth of the start-up time.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
# Imports create many objects and no garbage: collecting at the usual rate costs a tenth of the start-up time.
gc.set_threshold(100_000, 20, 20)
# At exit all memory goes with the process: a last collection costs a tenth of a short command.
atexit.register(gc.freeze)
# glibc returns every large block to the system when it is freed and maps it again page by page, a tenth of a bounce.
# Up to 16 MiB are kept instead (numbers: malloc.h; other C libraries have other switches or none).
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _KEPT_BYTES = -1, -3, 16 << 20
with contextlib.suppress(AttributeError, OSError, TypeError):
    for _switch in (_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD):
        ctypes.CDLL(None).mallopt(_switch, _KEPT_BYTES)

from layerpipe.cli import main  # noqa: E402 - the settings above must come first

if __name__ == "__main__":
    main()
