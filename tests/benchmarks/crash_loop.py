"""Two hundred kills of a loading process at random moments; the store must hold exactly the confirmed loads. Run as a
script.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.history.crashes import kill_at_random


def main() -> None:
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as name:
        start = time.monotonic()
        loads = kill_at_random(Path(name), times, seed=1)
        print(f"{times} kills, {loads} loads confirmed and all there, nothing else: {time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
