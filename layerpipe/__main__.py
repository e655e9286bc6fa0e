"""`python -m layerpipe` and the `layerpipe` command."""

from layerpipe.cli import main

if __name__ == "__main__":
    main()
