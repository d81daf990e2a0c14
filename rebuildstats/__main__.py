"""Where the program starts. Imports nothing heavy, so that Ctrl-C in the first moment is as clean as later."""

from __future__ import annotations

import os
import signal
import sys
from typing import NoReturn


def main() -> NoReturn:
    """Run the command line with the arguments it was started with."""
    before = signal.getsignal(signal.SIGINT)
    if before is signal.default_int_handler:  # a script's background job ignores Ctrl-C, and goes on doing so
        signal.signal(signal.SIGINT, _leave_at_once)
    from rebuildstats import cli

    signal.signal(signal.SIGINT, before)
    try:
        cli.main()
    finally:
        # Ctrl-C inside an exec (every dataclass is made by one) leaves Python resolved to die by the signal when it
        # ends, whatever exit code it is given; the next exec takes that back.
        exec("")


def _leave_at_once(*_: object) -> NoReturn:
    """While libraries are read nothing is open yet, and an exception in the middle of one of them may end anywhere."""
    sys.stderr.write("Stopped. Nothing was left half done.\n")
    sys.stderr.flush()
    os._exit(130)


if __name__ == "__main__":
    main()
