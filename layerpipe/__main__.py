"""`python -m layerpipe` and the `layerpipe` command."""

import gc

# Imports make many objects and no garbage: looking for it at the usual pace costs a tenth of a start.
gc.set_threshold(100_000, 20, 20)

from layerpipe.cli import main  # noqa: E402 - the imports are what is to be spared

if __name__ == "__main__":
    main()
