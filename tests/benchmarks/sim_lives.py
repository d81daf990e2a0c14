"""Are fitted lives right? Random fleets with known truth, from the tables through the lives to the fits.

    python -m tests.benchmarks.sim_lives [fleets] [first seed] [plant ...]

By the number of events: bias and RMSE of log B10 and log median, coverage of the 90 % intervals of both; the marks are
an RMSE of log B10 of 0.2 with 3-10 events and 0.4 with 1-3, coverage of 84-96 %, no bias over 3 % pooled. With plants
the truth is that of the sound lives over the duties by distance run; the mark is a coverage of 80 %. Not collected by
pytest.
"""

from __future__ import annotations

import sys
import time
import warnings

import numpy as np
import pandas as pd

from rebuildstats.fits.life import fit_lives
from rebuildstats.history.known import know
from rebuildstats.life_records.build import build
from tests.fleets.random_fleet import cut_day, random_fleet
from tests.fleets.test_random_fleet import connection_of

SIZES = (40, 80, 150, 300, 800)
BANDS = [-1, 0, 3, 10, 30, 100, 1_000_000]


def one(seed: int, plants: tuple[str, ...]) -> pd.DataFrame:
    """Every component of one fleet: fit beside truth."""
    units = SIZES[seed % len(SIZES)]
    fleet = random_fleet.__wrapped__(seed, units=units, years=4 + seed % 4, plants=plants)
    day = cut_day(fleet)
    tables = fleet.tables(day)
    con = connection_of(tables)
    lives = build(con, know(con, day), "km").lives
    con.close()
    fitted = fit_lives(lives, tables["components"]).frame()
    frame = fitted.merge(fleet.true_lives(), on=["family", "component"], suffixes=("", "_true"))
    frame = frame.merge(tables["components"][["family", "component", "shows"]], on=["family", "component"])
    for name in ("b10", "median"):
        true = frame[f"{name}_true"]
        frame[f"miss_{name}"] = np.log(frame[name] / true)
        frame[f"held_{name}"] = (frame[f"{name}_lower"] <= true) & (true <= frame[f"{name}_upper"])
    return frame.assign(seed=seed, units=units)


def summary(frame: pd.DataFrame, by: object) -> pd.DataFrame:
    """Bias, RMSE and coverage by group."""
    groups = frame.groupby(by, observed=True)
    return pd.DataFrame(
        {
            "components": groups.size(),
            "bias_b10": groups["miss_b10"].mean(),
            "rmse_b10": groups["miss_b10"].apply(lambda x: float(np.sqrt((x**2).mean()))),
            "held_b10": groups["held_b10"].mean(),
            "bias_median": groups["miss_median"].mean(),
            "held_median": groups["held_median"].mean(),
        }
    ).round(3)


def main() -> None:
    warnings.simplefilter("ignore")
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    plants = tuple(sys.argv[3:])
    began = time.perf_counter()
    frame = pd.concat([one(seed, plants) for seed in range(first, first + fleets)], ignore_index=True)
    print(f"{fleets} fleets, {len(frame)} components, plants {plants or 'none'}, {time.perf_counter() - began:.0f} s")
    frame["band"] = pd.cut(frame["events"], BANDS)
    print(summary(frame, "band").to_string())
    print(summary(frame, "shows").to_string())
    print(summary(frame.assign(all="all"), "all").to_string())


if __name__ == "__main__":
    main()
