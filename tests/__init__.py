"""The tests run with the command's settings of threads and memory, which must come before numpy is imported."""

import signal

_interrupt = signal.getsignal(signal.SIGINT)
import layerpipe.__main__  # noqa: E402, F401

# The command ends at once when it is interrupted; pytest has something to say.
signal.signal(signal.SIGINT, _interrupt)
