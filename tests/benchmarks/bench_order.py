"""How long an order by job fill rate takes, and how that grows with the number of parts. Prints; asserts nothing.

    python -m tests.benchmarks.bench_order [most parts]

Families of 20 parts each, prices spread over three powers of ten, ten teardowns a family and year in 400 futures: more
parts are more families. Beside it, as a peer in the same run, what plain per-part levels take from the same futures
(the 90 % point of each part's yearly wants, by numpy).
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from rebuildstats.stock.goals import JobFill
from rebuildstats.stock.plan import plan_order
from tests.stock.shop import Shop, table

EACH, TEARDOWNS, DRAWS, DAYS = 20, 10, 400, 365


def futures_of(families: int, rng: np.random.Generator) -> pd.DataFrame:
    """Teardowns as a Poisson stream; each needs each of its family's parts with a chance of its own."""
    chance = np.minimum(rng.gamma(0.8, 0.3, (families, EACH)), 1.0)
    count = rng.poisson(TEARDOWNS, (DRAWS, families))
    draw = np.repeat(np.repeat(np.arange(DRAWS), families), count.ravel())
    family = np.repeat(np.tile(np.arange(families), DRAWS), count.ravel())
    first = np.searchsorted(draw, np.arange(DRAWS))
    teardown, day = np.arange(draw.size) - first[draw], rng.uniform(0, DAYS, draw.size)
    job, place = np.nonzero(rng.random((draw.size, EACH)) < chance[family])
    rows = pd.DataFrame(
        {
            "draw": np.concatenate([draw, draw[job]]),
            "day": np.concatenate([day, day[job]]),
            "teardown": pd.array(np.concatenate([teardown, teardown[job]]), dtype="Int64"),
            "family": np.concatenate([family, family[job]]),
            "part": np.concatenate([np.full(draw.size, -1), family[job] * EACH + place]),
            "quantity": np.concatenate([np.full(draw.size, np.nan), np.ones(job.size)]),
        }
    ).sort_values(["draw", "day", "teardown"], ignore_index=True)
    names = pd.Series([f"P{i}" for i in range(families * EACH)], dtype="str")
    unit = "U" + rows["teardown"].astype("str")
    part = names.reindex(rows["part"].where(rows["part"] >= 0)).reset_index(drop=True)
    return rows.assign(part=part, unit=unit, family="F" + rows["family"].astype("str"), shelf="yard")


def shop_of(parts: int, rng: np.random.Generator) -> Shop:
    price = np.exp(rng.uniform(np.log(2.0), np.log(2000.0), parts)).round(2)
    lead = rng.integers(5, 90, parts)
    return Shop(
        parts=table(
            "parts",
            [{"part": f"P{i}", "unit_cost": price[i], "lead_time_days": int(lead[i])} for i in range(parts)],
        ),
        stock=table(
            "stock",
            [{"part": f"P{i}", "site": "yard", "counted_on": "2026-03-31", "on_hand": 1} for i in range(parts)],
        ),
    )


def seconds_of_plain_levels(futures: pd.DataFrame, parts: int) -> float:
    start = time.perf_counter()
    wanted = futures.dropna(subset=["part"])
    code = wanted["part"].str[1:].astype(np.int64).to_numpy()
    pieces = np.zeros((DRAWS, parts))
    np.add.at(pieces, (wanted["draw"].to_numpy(), code), wanted["quantity"].to_numpy())
    np.quantile(pieces, 0.9, axis=0)
    return time.perf_counter() - start


def main(most: int = 2000) -> None:
    before: tuple[int, float] | None = None
    for parts in (most // 8, most // 4, most // 2, most):
        rng = np.random.default_rng(1)
        futures, shop = futures_of(parts // EACH, rng), shop_of(parts, rng)
        start = time.perf_counter()
        plan = plan_order(futures, shop, JobFill(0.9), draws=DRAWS, days=DAYS)
        seconds = time.perf_counter() - start
        plain = seconds_of_plain_levels(futures, parts)
        grown = ""
        if before is not None:
            allowed = parts * np.log(parts) / (before[0] * np.log(before[0]))
            grown = f"; {seconds / before[1]:.2f} times the half (parts x log parts: {allowed:.2f})"
        print(
            f"{parts} parts, {len(futures):,} wants: {seconds:.1f} s, {seconds / plain:.1f} times plain levels; "
            f"fill {plan.job_fill.rate:.3f}, money {plan.money / plan.bound:.4f} of the bound{grown}",
            flush=True,
        )
        before = parts, seconds


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
