"""Two loaders, a form, a nightly writer and two readers at one store for some minutes: prints who did how much and
who waited.

Run as a script; the argument is the number of seconds.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.history.conftest import GOOD, Shop
from tests.history.sharing import share


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    with tempfile.TemporaryDirectory() as name:
        shop = Shop(Path(name))
        shop.load(**GOOD)
        for t in share(shop.path, shop.folder, seconds):
            waited = f", longest wait {t['longest']:.2f} s" if t["role"] == "read" else ""
            print(f"{t['role']}: {t['done']} done, {len(t['errors'])} errors{waited}")


if __name__ == "__main__":
    main()
