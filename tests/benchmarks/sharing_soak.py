"""One hour of a shop at one store, pressed into some minutes: 60 teardowns written down, 4 loads (one of them a million
findings), the nightly fit and three dashboards that look again and again. Prints who waited how long, and for what.

A reader's mark is 1 s until it has the store. Run as a script; the argument is how many times faster than the clock
(default 15: an hour in four minutes, and as long as the big load takes on top).
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from rebuildstats.history import store
from rebuildstats.history.load import load_files
from tests.benchmarks.bench_load import write_history
from tests.history.conftest import GOOD, Shop
from tests.history.sharing import Role, Told, share, spread

HOUR = 3_600.0


def main() -> None:
    faster = float(sys.argv[1]) if len(sys.argv) > 1 else 15.0
    hour = HOUR / faster
    with tempfile.TemporaryDirectory() as name:
        shop = Shop(Path(name))
        load_files(shop.path, [Path(__file__).parents[2] / "data_demo"])  # lives enough for a nightly fit
        shop.load(**{table: text for table, text in GOOD.items() if table != "teardowns"})
        (shop.folder / "big").mkdir()
        write_history(shop.folder / "big")
        start = time.monotonic()
        told = share(
            shop.path,
            shop.folder,
            [
                Role("form", 30, hour / 30),
                Role("form", 30, hour / 30),
                Role("load", 3, hour / 3),
                Role("big load", 1, hour / 2),
                Role("nightly", 1, hour / 4),
                *[Role("dashboard", None, 1.0)] * 3,
            ],
        )
        seconds = time.monotonic() - start
        with store.reading(shop.path) as con:
            rows = con.execute("select count(*) from findings").fetchall()[0][0]
        print(f"an hour in {seconds:.0f} s, load average {os.getloadavg()[1]:.1f} on {os.cpu_count()} processors;")
        print(f"at the end {rows:,} findings, {shop.path.stat().st_size / 1e6:.0f} MB")
        print(f"{'':12} {'acts':>5} {'errors':>6}  {'until the store was open, or the turn had':<44}")
        for role in dict.fromkeys(one.role for one in told):
            _print(role, [one for one in told if one.role == role])
        for error in [error for one in told for error in one.errors]:
            print(error)


def _print(role: str, told: list[Told]) -> None:
    acts, errors = sum(one.done for one in told), sum(len(one.errors) for one in told)
    for name, words in (("reads", "reading"), ("turns", "turn to write")):
        count, most, longest = spread(told, name)
        if count:
            _, idle_most, idle = spread(told, f"{name}_idle")
            print(
                f"{role:12} {acts:5} {errors:6}  {words}: {count} times, 99 % {most:.2f} s, longest {longest:.2f} s; "
                f"of it not for a processor: 99 % {idle_most:.2f} s, longest {idle:.2f} s"
            )
    count, most, longest = spread(told, "held")
    if count:
        print(f"{'':12} {'':5} {'':6}  a turn lasted: 99 % {most:.2f} s, longest {longest:.2f} s")


if __name__ == "__main__":
    main()
