"""Where the program starts. Imports nothing heavy, so that Ctrl-C in the first moment is as clean as later."""

from __future__ import annotations

import sys
from typing import NoReturn


def main() -> NoReturn:
    """Run the command line with the arguments it was started with."""
    try:
        from rebuildstats import cli
    except KeyboardInterrupt:
        sys.exit(130)
    cli.main()


if __name__ == "__main__":
    main()
