"""Would it pay to let a shop's own past choose the method? Random fleets, their rolling origins, and what then comes.

    python -m tests.benchmarks.sim_origins [fleets] [first seed]

Per part: the pinball loss over 12 months of ours and of each series method, refitted at origins one and two years back
and scored against what came; the method chosen by them; its loss from today on, expected over the futures that an
oracle draws, against that of ours. Ours keeps an advantage: its past loss counts by so much. Not collected by pytest.
"""

from __future__ import annotations

import sys
import warnings

import numpy as np
import pandas as pd

from rebuildstats.demand.forecast import OWN, TOTAL, Forecast, forecast_parts
from rebuildstats.demand.series import METHODS
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from tests.benchmarks.sim_forecast import options_of, pinball
from tests.demand.fleet_history import history_at
from tests.fleets.random_fleet import cut_day, random_fleet
from tests.fleets.true_futures import true_futures

ADVANTAGES = (1.0, 0.9, 0.75, 0.5)
LEAST_MONTHS = 20  # of past at an origin


def losses(forecast: Forecast, outcomes: np.ndarray) -> pd.DataFrame:
    """Mean loss of the total by part and method. outcomes: (futures, parts) pieces."""
    rows = {}
    for at, part in enumerate(forecast.parts):
        if forecast.method_of[part] == OWN:
            pmfs = {method: forecast.pmf(part, TOTAL, method) for method in (OWN, *METHODS)}
            rows[part] = {m: float(np.mean([pinball(pmf, x) for x in outcomes[:, at]])) for m, pmf in pmfs.items()}
    return pd.DataFrame.from_dict(rows, orient="index")


def one_fleet(seed: int) -> pd.DataFrame:
    """Parts x (past and coming loss of each method); nothing where the past has no room for an origin."""
    options = options_of(seed)
    fleet = random_fleet(seed, months_after=13, **options)
    past: list[pd.DataFrame] = []
    for back in (24, 12, 0):
        if options["years"] * 12 - back < LEAST_MONTHS:
            continue
        day = cut_day(fleet, 13 + back)
        history, records = history_at(fleet, day)
        fits, units = fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)
        forecast = forecast_parts(records, history, fits, units, months=12)
        if back:
            came = fleet.issued_after(day, forecast.months[-1].end_time.date())
            inside = pd.PeriodIndex(came["issued_on"], freq="M").isin(forecast.months)
            pieces = came[inside].groupby("part")["quantity"].sum().reindex(forecast.parts).fillna(0.0)
            past.append(losses(forecast, pieces.to_numpy()[None, :]))
        else:
            futures = true_futures(fleet, day, forecast.parts, forecast.months, runs=50, seed=seed).sum(axis=2)
            coming = losses(forecast, futures)
    if not past:
        return pd.DataFrame()
    seen = pd.concat(past).groupby(level=0).sum()
    both = seen.add_prefix("past ").join(coming, how="inner")
    return both.assign(fleet=seed).rename_axis("part").reset_index()


def chosen(rows: pd.DataFrame, advantage: float) -> pd.Series:
    """The method with the least past loss, by row."""
    past = rows[[f"past {m}" for m in (OWN, *METHODS)]].set_axis([OWN, *METHODS], axis=1)
    return past.assign(**{OWN: past[OWN] * advantage}).idxmin(axis=1)


def marks(rows: pd.DataFrame) -> pd.DataFrame:
    out = []
    by_fleet = rows.groupby("fleet")[[f"past {m}" for m in (OWN, *METHODS)]].transform("sum")
    for scope, seen in (("part", rows), ("fleet", by_fleet)):
        for advantage in ADVANTAGES:
            name = chosen(seen, advantage)
            loss = sum(float(rows.loc[name == m, m].sum()) for m in (OWN, *METHODS))
            changed = float((name != OWN).mean())
            out.append({"by": scope, "advantage": advantage, "changed": changed, "loss": loss / rows[OWN].sum()})
    return pd.DataFrame(out).round(3)


def main(fleets: int = 12, first: int = 1) -> None:
    warnings.simplefilter("ignore")
    found = []
    for seed in range(first, first + fleets):
        found.append(one_fleet(seed))
        print(seed, len(found[-1]), flush=True)
    print(marks(pd.concat(found, ignore_index=True)).to_string())


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
