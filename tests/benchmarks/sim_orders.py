"""What does an order cost, and is its promise kept? Random fleets with a known future, replayed.

    python -m tests.benchmarks.sim_orders [fleets] [first seed]

Per fleet: order-up-to levels from the whole futures of the forecast for several job fill rates, and equal per-part
service levels from each series method; both played against what really came in the following year. Pooled: the job fill
rate promised and realised, and the money that each needs for a realised job fill rate of 0.9. Not collected by pytest.
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
from rebuildstats.stock.goals import JobFill, PartFill
from rebuildstats.stock.plan import OrderPlan, plan_order
from rebuildstats.stock.replay import Replay, replay
from tests.demand.fleet_history import history_at
from tests.fleets.random_fleet import cut_day, random_fleet

TARGETS = (0.7, 0.8, 0.85, 0.9, 0.94, 0.97)
SERVICE = (0.5, 0.7, 0.8, 0.9, 0.95, 0.97, 0.98, 0.99, 0.995, 0.998, 0.9995)
DRAWS, DAYS = 400, 365


def wants_after(fleet: Any, day: Any, plan: OrderPlan) -> pd.DataFrame:
    """What really came: day after the cut, job (-1: over the counter), item, quantity; credits taken off their job."""
    issued = fleet.everything["issued_parts"]
    first = fleet.day(day)
    future = issued[(issued["issued_on"] > first) & (issued["issued_on"] <= first + DAYS)].reset_index(drop=True)
    sign = np.where(future["kind"].to_numpy(dtype=object) == "credit", -1.0, 1.0)
    part = pd.Series([fleet.last_number(str(p)) for p in future["part"]], dtype="str")
    shelf = plan.ahead.items.shelves.of(future["site"].reset_index(drop=True))
    frame = pd.DataFrame(
        {"day": future["issued_on"] - first, "job": future["job"], "item": plan.ahead.items.code(part, shelf),
         "quantity": future["quantity"] * sign}
    )  # fmt: skip
    assert (frame["item"] >= 0).all()
    known = frame[frame["job"].notna()]
    opened = known.groupby("job")["day"].min()
    known = known.groupby(["job", "item"], as_index=False)["quantity"].sum()
    known["day"] = known["job"].map(opened)
    known["job"] = pd.factorize(known["job"])[0]
    loose = frame[frame["job"].isna()].assign(job=-1)
    both = pd.concat([known, loose], ignore_index=True)
    return both[both["quantity"] > 0].sort_values("day", kind="stable")


def play(plan: OrderPlan, came: pd.DataFrame, levels: np.ndarray) -> Replay:
    rng = np.random.default_rng(1)
    table = plan.ahead.items.table
    pmfs = [np.cumsum(plan.ahead.items.lead_times.pmf(p)) for p in table["part"]]
    return replay(
        came["day"].to_numpy(float), came["job"].to_numpy(np.int64), came["item"].to_numpy(np.int64),
        came["quantity"].to_numpy(float), levels,
        lambda i: float(np.searchsorted(pmfs[i], rng.random() * 0.999999)), days=float(DAYS),
    )  # fmt: skip


def series_levels(forecast: Forecast, plan: OrderPlan, method: str, service: float) -> np.ndarray:
    """Per part, the least level whose chance to cover the demand of the lead time and one more piece is `service`."""
    levels = []
    for part, site, lead in plan.ahead.items.table[["part", "site", "lead_time_days"]].itertuples(index=False):
        if part not in forecast.parts:
            levels.append(0)
            continue
        pmf = forecast._window_pmf(part, forecast.when.share(0.0, max(lead, 1.0)), site, method)
        need = int(np.searchsorted(np.cumsum(pmf), service - 1e-12))
        levels.append(need + 1 if pmf[0] < service else 0)
    return np.array(levels)


def run_one(seed: int) -> tuple[pd.DataFrame, float]:
    rng = np.random.default_rng(seed)
    options = {"units": int(rng.choice([80, 150, 300])), "years": float(rng.choice([5.0, 7.0])),
               "yearly": float(rng.choice([45_000.0, 70_000.0])), "components": int(rng.choice([7, 10]))}  # fmt: skip
    fleet = random_fleet(seed, months_after=13, **options)
    day = cut_day(fleet, 13)
    history, records = history_at(fleet, day)
    fits, units = fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)
    forecast = forecast_parts(records, history, fits, units, months=12)
    futures = forecast.futures(DRAWS, DAYS, seed)
    rows = []
    spent = 0.0
    for goal in [*(JobFill(t) for t in TARGETS), PartFill(0.95)]:
        start = time.process_time()
        plan = plan_order(futures, history, goal, draws=DRAWS, days=DAYS)
        spent = max(spent, time.process_time() - start)
        came = wants_after(fleet, day, plan)
        got = play(plan, came, plan.levels)
        rows.append((seed, "ours" if isinstance(goal, JobFill) else "ours, part fill", goal.share, plan.money,
                     plan.job_fill.rate, got.filled.sum(), len(got.filled), plan.ahead.jobs_a_year))  # fmt: skip
    cost = plan.ahead.items.search_cost()
    for method in METHODS:
        for service in SERVICE:
            levels = series_levels(forecast, plan, method, service)
            got = play(plan, came, levels)
            rows.append((seed, method, service, cost @ levels, np.nan, got.filled.sum(), len(got.filled), np.nan))
    columns = ["fleet", "method", "aim", "money", "promised", "filled", "jobs", "foreseen"]
    return pd.DataFrame(rows, columns=columns), spent


def main(fleets: int = 8, first: int = 1) -> None:
    warnings.simplefilter("ignore")
    tables = []
    for seed in range(first, first + fleets):
        table, spent = run_one(seed)
        tables.append(table)
        ours = table[table["method"] == "ours"]
        say = ", ".join(f"{a:.2f}: {p:.3f} -> {f / j:.3f} ({m:,.0f})" for a, p, f, j, m in
                        ours[["aim", "promised", "filled", "jobs", "money"]].itertuples(index=False))  # fmt: skip
        jobs, foreseen = ours.iloc[0][["jobs", "foreseen"]]
        print(f"fleet {seed}: {jobs} jobs ({foreseen:.0f} foreseen), {spent:.1f} s; {say}", flush=True)
    every = pd.concat(tables)
    pooled = every.groupby(["method", "aim"]).agg(
        money=("money", "sum"), promised=("promised", "mean"), filled=("filled", "sum"), jobs=("jobs", "sum")
    )
    pooled["realised"] = pooled["filled"] / pooled["jobs"]
    print(pooled.round(3).to_string())
    need = {}
    for method, rows in pooled.groupby(level="method"):
        rows = rows.sort_values("realised")
        if rows["realised"].iloc[-1] >= 0.9:
            need[method] = float(np.interp(0.9, rows["realised"], rows["money"]))
    print({m: round(v) for m, v in need.items()})
    best = min((v, m) for m, v in need.items() if m in METHODS)
    if "ours" in need:
        print(f"money for 0.9 realised: {1 - need['ours'] / best[0]:.1%} less than equal levels from {best[1]}")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
