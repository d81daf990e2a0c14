"""Bias, error and coverage of fitted lives on many random fleets, by number of events. Prints; asserts nothing.

    python -m tests.benchmarks.sim_life [fleets]

First the small fleets of `tests/fits` (one group structure, Weibull), then the event-by-event fleets of `tests/fleets`
(three distributions, few components a group), plain and with mixed duties, missed fails and a spell of bad fitting.

What lives alone can give, RMSE of log B10 with 3-10 events on the first 20 fleets of each kind: a Bayes estimate that
is told every group's true mean and spread 0.184 (small) and 0.183 (plain); one that is told the true spreads but must
learn the groups' means 0.187 and 0.211.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import pandas as pd

from rebuildstats.history.contract import TABLES
from rebuildstats.history.known import know
from rebuildstats.life_records.build import build
from tests.fits.fleets_of_lives import FleetOfLives, fleet_of_lives
from tests.fits.life_marks import errors, marks
from tests.fleets.random_fleet import cut_day, random_fleet
from tests.histories import connection


def from_events(seed: int, **design: object) -> FleetOfLives:
    """A fleet run event by event, as known on its cut day."""
    fleet = random_fleet(seed, **design)  # type: ignore[arg-type]
    day = cut_day(fleet)
    tables = fleet.tables(day)
    con = connection()
    for table in TABLES:
        rows = tables.get(table.name)
        if rows is None or rows.empty:
            continue
        con.register("rows", rows)
        names = ", ".join(f'"{name}"' for name in rows.columns)
        con.execute(f'insert into "{table.name}" ({names}) select {names} from rows').fetchall()
        con.unregister("rows")
    lives = build(con, know(con, day), "mi").lives
    truth = fleet.true_lives()[["family", "component", "b10", "median"]]
    truth = truth.rename(columns={"b10": "true_b10", "median": "true_median"})
    return FleetOfLives(lives, tables["components"], truth)


def groups(count: int) -> Iterator[FleetOfLives]:
    for seed in range(1000, 1000 + count):
        yield fleet_of_lives(seed, components=30, smallest=4, largest=80)


def plain(count: int) -> Iterator[FleetOfLives]:
    for seed in range(2000, 2000 + count):
        yield from_events(seed, units=(25, 60, 150)[seed % 3], families=3, components=8)


def planted(count: int) -> Iterator[FleetOfLives]:
    for seed in range(3000, 3000 + count):
        yield from_events(seed, units=500, families=2, components=9, plants=("duties", "missed", "fitting"))


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    pd.set_option("display.width", 200)
    for title, fleets in (("groups", groups(count)), ("plain", plain(count)), ("planted", planted(max(count // 3, 1)))):
        begun = time.process_time()
        found = errors(fleets)
        some = found[found["events"] > 0]
        print(f"\n{title}: {len(found)} fits, {time.process_time() - begun:.0f} s of processor time")
        print(marks(found).round(3).to_string())
        for name in ("b10", "median"):
            bias, covered = some[f"{name}_error"].mean(), some[f"{name}_covered"].mean()
            print(f"  all with events, {name}: bias {bias:+.3f}, coverage {covered:.3f}")


if __name__ == "__main__":
    main()
