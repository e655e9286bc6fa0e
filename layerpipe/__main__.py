"""`python -m layerpipe` and the `layerpipe` command."""

import gc
import os

# Takes run side by side already; threads inside numpy's products would cost a tenth of a start and nothing else.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Imports make many objects and no garbage: looking for it at the usual pace costs a tenth of a start.
gc.set_threshold(100_000, 20, 20)

from layerpipe.cli import main  # noqa: E402 - the imports are what is to be spared

if __name__ == "__main__":
    main()
