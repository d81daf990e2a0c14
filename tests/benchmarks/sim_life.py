"""Bias, error and coverage of fitted lives on many random fleets, by number of events. Prints; asserts nothing.

    python -m tests.benchmarks.sim_life [fleets] [first] [kind...]

`first` moves every seed on (0 by default), so that fresh fleets tell chance from a fault; `kind`: groups, wrong, plain,
large, planted (all by default). `groups`: the small fleets of `tests/fits` (one group structure, Weibull). `wrong`: the
same with 2 % of the verdicts at teardowns the other way round. `plain`: the event-by-event fleets of `tests/fleets`
(three distributions, few components a group). `large`: such fleets of 400 units, a third as many of them. `planted`: of
500 units, with mixed duties, missed fails and a spell of bad fitting. Beside each share covered stands the simulation's
own standard error; components of one fleet share a prior, so it is taken over fleets (Liang & Zeger 1986, Biometrika
73:13).

What lives alone can give, RMSE of log B10 with 3-10 events on the first 20 fleets of each kind: a Bayes estimate that
is told every group's true mean and spread 0.184 (small) and 0.183 (plain); one that is told the true spreads but must
learn the groups' means 0.187 and 0.211.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import numpy as np
import pandas as pd

from rebuildstats.history.contract import TABLES
from rebuildstats.history.known import know
from rebuildstats.life_records.build import build
from tests.fits.fleets_of_lives import FleetOfLives, fleet_of_lives
from tests.fits.life_marks import clustered_error, errors, marks
from tests.fleets.random_fleet import cut_day, random_fleet
from tests.histories import connection

# the classes of events that a mark is set for, both ends counted
_MARKED = {
    "1-3 events": (1, 3),
    "3-10": (3, 10),
    "10-50": (10, 50),
    "over 50": (51, 10**9),
    "all with events": (1, 10**9),
}


def from_events(seed: int, **design: object) -> FleetOfLives:
    """A fleet run event by event, as known on its cut day."""
    fleet = random_fleet(seed, **design)  # type: ignore[arg-type]
    day = cut_day(fleet)
    tables = fleet.tables(day)
    random_fleet.cache_clear()
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
    con.close()
    truth = fleet.true_lives()[["family", "component", "b10", "median"]]
    truth = truth.rename(columns={"b10": "true_b10", "median": "true_median"})
    return FleetOfLives(lives, tables["components"], truth)


def groups(count: int, first: int) -> Iterator[FleetOfLives]:
    for seed in range(1000 + first, 1000 + first + count):
        yield fleet_of_lives(seed, components=30, smallest=4, largest=80)


def wrong(count: int, first: int) -> Iterator[FleetOfLives]:
    for seed, fleet in enumerate(groups(count, first)):
        lives = fleet.lives.copy()
        turned = (lives["shows"] == "at_teardown") & (np.random.default_rng([seed, first]).random(len(lives)) < 0.02)
        lower, upper = lives["lower_age"], lives["upper_age"]
        # a failed one taken as good runs on from where it was found; a good one taken as failed did so since half way
        passed, failed = turned & upper.notna(), turned & upper.isna()
        lives.loc[passed, "lower_age"], lives.loc[passed, "upper_age"] = upper[passed], np.nan
        lives.loc[failed, "lower_age"], lives.loc[failed, "upper_age"] = 0.5 * lower[failed], lower[failed]
        yield FleetOfLives(lives, fleet.components, fleet.truth)


def plain(count: int, first: int) -> Iterator[FleetOfLives]:
    for seed in range(2000 + first, 2000 + first + count):
        yield from_events(seed, units=(25, 60, 150)[seed % 3], families=3, components=8)


def large(count: int, first: int) -> Iterator[FleetOfLives]:
    for seed in range(4000 + first, 4000 + first + max(count // 3, 1)):
        yield from_events(seed, units=400, families=2, components=9)


def planted(count: int, first: int) -> Iterator[FleetOfLives]:
    for seed in range(3000 + first, 3000 + first + max(count // 3, 1)):
        yield from_events(seed, units=500, families=2, components=9, plants=("duties", "missed", "fitting"))


KINDS = {"groups": groups, "wrong": wrong, "plain": plain, "large": large, "planted": planted}


def tell(title: str, found: pd.DataFrame) -> None:
    """The table of one kind of fleet, then the classes that have a mark."""
    print(marks(found).round(3).to_string())
    for label, (least, most) in _MARKED.items():
        some = found[found["events"].between(least, most)]
        if some.empty:
            continue
        words = []
        for name in ("b10", "median"):
            error, covered = some[f"{name}_error"], some[f"{name}_covered"].astype(float)
            words.append(
                f"{name} bias {error.mean():+.3f}, rmse {(error**2).mean() ** 0.5:.3f}, "
                f"covered {covered.mean():.3f} (+- {clustered_error(covered, some['fleet']):.3f})"
            )
        print(f"  {title}, {label} ({len(some)} fits): {'; '.join(words)}")


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    pd.set_option("display.width", 200)
    for title in sys.argv[3:] or KINDS:
        begun = time.process_time()
        found = errors(KINDS[title](count, first))
        print(f"\n{title}: {len(found)} fits, {time.process_time() - begun:.0f} s of processor time", flush=True)
        tell(title, found)


if __name__ == "__main__":
    main()
