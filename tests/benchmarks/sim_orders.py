"""What does an order cost, and is its promise kept? Random fleets with a known future, replayed.

    python -m tests.benchmarks.sim_orders [fleets] [first seed]

Per fleet: order-up-to levels from the whole futures of the forecast for several job fill rates, and equal per-part
service levels from each series method. Both are played, with the same lead times, against what really came in the
following year, after a warm-up with what was really issued before it, so that neither begins with a full shelf. Pooled
over the fleets: the job fill rate promised and realised with the error that chance alone explains, and the money that
each needs for a realised job fill rate of 0.9; the series method is the best in hindsight, its service level and our
target are both read off where they realise it. Not collected by pytest.
"""

from __future__ import annotations

import sys
import time
import warnings
from typing import Any

import numpy as np
import pandas as pd

from rebuildstats.demand.forecast import Forecast, forecast_parts
from rebuildstats.demand.series import METHODS
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.stock.goals import JobFill
from rebuildstats.stock.items import Items
from rebuildstats.stock.outlook import look_ahead
from rebuildstats.stock.plan import plan_for
from rebuildstats.stock.replay import Replay, replay
from tests.demand.fleet_history import history_at
from tests.fleets.random_fleet import cut_day, random_fleet

TARGETS = (0.8, 0.88, 0.94)
SERVICE = (0.9, 0.95, 0.97, 0.98, 0.99, 0.995, 0.999)
DRAWS, DAYS, WARM_UP, REPLAYS = 400, 365, 200, 8
ONE_SIDED = 1.6448536  # a two-sided interval of 90 %


def wants_between(fleet: Any, cut: Any, items: Items, start: int, end: int) -> pd.DataFrame:
    """What was really issued on the days start < day <= end after the cut: day, job (-1: over the counter, and whatever
    is warm-up), item, quantity; credits taken off their job."""
    issued, first = fleet.everything["issued_parts"], fleet.day(cut)
    mine = issued[(issued["issued_on"] > first + start) & (issued["issued_on"] <= first + end)].reset_index(drop=True)
    sign = np.where(mine["kind"].to_numpy(dtype=object) == "credit", -1.0, 1.0)
    part = pd.Series([fleet.last_number(str(p)) for p in mine["part"]], dtype="str")
    shelf = items.shelves.of(mine["site"])
    frame = pd.DataFrame(
        {"day": mine["issued_on"] - first, "job": mine["job"], "item": items.code(part, shelf),
         "quantity": mine["quantity"] * sign}
    )  # fmt: skip
    frame = frame[frame["item"] >= 0]
    known = frame[frame["job"].notna()]
    opened = known.groupby("job")["day"].min()
    known = known.groupby(["job", "item"], as_index=False)["quantity"].sum()
    known = known.assign(day=known["job"].map(opened), job=pd.factorize(known["job"])[0])
    both = pd.concat([known, frame[frame["job"].isna()].assign(job=-1)], ignore_index=True)
    return both[both["quantity"] > 0].sort_values("day", kind="stable")


def play(items: Items, came: pd.DataFrame, levels: np.ndarray) -> float:
    """Jobs filled when levels meet what came, a mean over lead times drawn REPLAYS times."""
    pmfs = [np.cumsum(pmf) for pmf in items.lead_pmfs()]
    return float(np.mean([_once(pmfs, came, levels, seed).filled.sum() for seed in range(REPLAYS)]))


def _once(pmfs: list[np.ndarray], came: pd.DataFrame, levels: np.ndarray, seed: int) -> Replay:
    rng = np.random.default_rng(seed)
    return replay(
        came["day"].to_numpy(float) + WARM_UP, came["job"].to_numpy(np.int64), came["item"].to_numpy(np.int64),
        came["quantity"].to_numpy(float), levels,
        lambda i: float(np.searchsorted(pmfs[i], rng.random() * 0.999999)), days=float(WARM_UP + DAYS),
    )  # fmt: skip


def series_levels(forecast: Forecast, items: Items, method: str) -> dict[float, np.ndarray]:
    """Per service level and part, the least level whose chance to cover the demand of the lead time and one more piece
    is that service level."""
    levels = {service: np.zeros(len(items.table), np.int64) for service in SERVICE}
    for i, (part, site, lead) in enumerate(items.table[["part", "site", "lead_time_days"]].itertuples(index=False)):
        if part not in forecast.parts:
            continue
        pmf = forecast._window_pmf(part, forecast.when.share(0.0, max(lead, 1.0)), site, method)
        for service in SERVICE:
            need = int(np.searchsorted(np.cumsum(pmf), service - 1e-12))
            levels[service][i] = need + 1 if pmf[0] < service else 0
    return levels


def run_one(seed: int) -> tuple[pd.DataFrame, float]:
    rng = np.random.default_rng(seed)
    options = {"units": int(rng.choice([80, 150, 300])), "years": float(rng.choice([5.0, 7.0])),
               "yearly": float(rng.choice([45_000.0, 70_000.0])), "components": int(rng.choice([7, 10]))}  # fmt: skip
    fleet = random_fleet(seed, months_after=13, **options)
    day = cut_day(fleet, 13)
    history, records = history_at(fleet, day)
    fits, units = fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)
    forecast = forecast_parts(records, history, fits, units, months=12)
    start = time.process_time()
    ahead = look_ahead(forecast.futures(DRAWS, DAYS, seed), history, draws=DRAWS, days=DAYS)
    items, cost = ahead.items, ahead.items.search_cost()
    before = wants_between(fleet, day, items, -WARM_UP, 0).assign(job=-1)
    came = pd.concat([before, wants_between(fleet, day, items, 0, DAYS)], ignore_index=True)
    jobs = int(came["job"].max()) + 1
    rows = []
    for target in TARGETS:
        plan = plan_for(JobFill(target), ahead)
        filled = play(items, came, plan.levels)
        chance = (plan.job_fill.year_upper - plan.job_fill.year_lower) / (2 * ONE_SIDED)
        rows.append((seed, "ours", target, cost @ plan.levels, plan.job_fill.rate, chance, filled, jobs,
                     ahead.jobs_a_year))  # fmt: skip
    spent = (time.process_time() - start) / len(TARGETS)
    for method in METHODS:
        for service, levels in series_levels(forecast, items, method).items():
            filled = play(items, came, levels)
            rows.append((seed, method, service, cost @ levels, np.nan, np.nan, filled, jobs, np.nan))
    columns = ["fleet", "method", "aim", "money", "promised", "chance", "filled", "jobs", "foreseen"]
    return pd.DataFrame(rows, columns=columns), spent


def money_needed(pooled: pd.DataFrame, fill: float = 0.9) -> dict[str, float]:
    """Method -> money for a realised job fill rate, read between the aims on both sides of it: money grows about in
    line with the log of the share of jobs held."""
    need = {}
    for method, rows in pooled.groupby(level="method"):
        rows = rows.sort_values("realised")
        if rows["realised"].iloc[0] <= fill <= rows["realised"].iloc[-1]:
            need[str(method)] = float(np.interp(-np.log(1 - fill), -np.log(1 - rows["realised"] + 1e-9), rows["money"]))
    return need


def tell(every: pd.DataFrame) -> None:
    """What all fleets so far say together."""
    pooled = every.groupby(["method", "aim"])[["money", "filled", "jobs"]].sum()
    pooled["realised"] = pooled["filled"] / pooled["jobs"]
    ours = every[every["method"] == "ours"]
    for aim, rows in ours.groupby("aim"):
        jobs = rows["jobs"].to_numpy(float)
        promised = float(jobs @ rows["promised"] / jobs.sum())
        wide = ONE_SIDED * float(np.sqrt(np.sum((jobs * rows["chance"]) ** 2))) / jobs.sum()
        at = pooled.loc[("ours", aim), "realised"]
        print(f"  aim {aim}: promised {promised:.3f} +- {wide:.3f} (90 %, chance alone), realised {at:.3f}")
    need = money_needed(pooled)
    series = {method: money for method, money in need.items() if method in METHODS}
    if "ours" in need and series:
        best = min(series, key=lambda m: series[m])
        print(f"  money for 0.9 realised: {1 - need['ours'] / series[best]:.1%} less than equal levels from {best}")
    print(f"  { {m: round(v) for m, v in need.items()} }", flush=True)


def main(fleets: int = 8, first: int = 1) -> None:
    warnings.simplefilter("ignore")
    tables: list[pd.DataFrame] = []
    for seed in range(first, first + fleets):
        table, spent = run_one(seed)
        tables.append(table)
        ours = table[table["method"] == "ours"]
        say = ", ".join(f"{p:.3f} -> {f / j:.3f} ({m:,.0f})" for p, f, j, m in
                        ours[["promised", "filled", "jobs", "money"]].itertuples(index=False))  # fmt: skip
        jobs, foreseen = ours.iloc[0][["jobs", "foreseen"]]
        pooled = table.assign(realised=table["filled"] / table["jobs"]).set_index(["method", "aim"])
        need = money_needed(pooled)
        series = [money for method, money in need.items() if method in METHODS]
        less = f"{1 - need['ours'] / min(series):.0%} less" if "ours" in need and series else "0.9 not bracketed"
        print(f"fleet {seed}: {jobs} jobs ({foreseen:.0f} foreseen), {spent:.1f} s a plan; {say}; {less}", flush=True)
        tell(pd.concat(tables))


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
