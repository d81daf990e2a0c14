"""Every speed that is promised, one benchmark after the other: `python -m tests.benchmarks`. An hour or two in all, for
the last two work on a million findings; each is a script of its own as well. Nothing is asserted; a ratio stands beside
a peer of the same run.
"""

from __future__ import annotations

import subprocess
import sys

SPEED = ("bench_load", "bench_lives", "bench_fit", "forecast_speed", "bench_order", "bench_nightly", "dashboard_pages")


def main() -> None:
    for name in SPEED:
        print(f"\n{name}\n{'=' * len(name)}", flush=True)
        subprocess.run([sys.executable, "-m", f"tests.benchmarks.{name}"], check=False)


if __name__ == "__main__":
    main()
