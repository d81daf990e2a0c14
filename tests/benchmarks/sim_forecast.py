"""How good is the forecast? Random fleets with a known future, run end to end; marks of pinball loss and coverage.

    python -m tests.benchmarks.sim_forecast [fleets] [first seed]

Per fleet and pooled: pinball loss of ours, of each series method and of an oracle (the engine that made the fleet, run
on from the day with all it knows: `tests.fleets.true_futures`), by month and over 12 months; how far ours goes from the
best series method in hindsight to the oracle; coverage of the 90 % bands (by randomised probability transform), ours
and the oracle's. Not collected by pytest.
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
from rebuildstats.demand.sums import quantiles_of
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from tests.demand.fleet_history import history_at
from tests.fleets.random_fleet import cut_day, random_fleet
from tests.fleets.true_futures import true_futures

LEVELS = np.array([0.05, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99])
ORACLE_RUNS = 200


def pinball(pmf: np.ndarray, value: float) -> float:
    q = np.array(quantiles_of(pmf, list(LEVELS)))
    gap = value - q
    return float(np.maximum(LEVELS * gap, (LEVELS - 1) * gap).mean())


def pit(pmf: np.ndarray, value: float, rng: np.random.Generator) -> float:
    k = int(max(0, round(value)))
    cdf = np.cumsum(pmf)
    high = cdf[min(k, cdf.size - 1)]
    low = cdf[min(k, cdf.size) - 1] if k > 0 else 0.0
    return float(low + rng.random() * (high - low))


def counted(pieces: np.ndarray) -> np.ndarray:
    """Distribution of simulated pieces (runs,) as a pmf from 0 on; credits beyond what was issued count as none."""
    pmf = np.bincount(np.maximum(pieces, 0.0).round().astype(int)).astype(float)
    return np.asarray(pmf / pmf.sum())


def score(fleet: Any, forecast: Forecast, oracle: np.ndarray, name: str, rng: np.random.Generator) -> pd.DataFrame:
    """oracle: (runs, parts, months) pieces of the futures that could have come."""
    end = forecast.months[-1].end_time.date()
    came = fleet.issued_after(forecast.when.as_of.date(), end)
    came["month"] = pd.PeriodIndex(came["issued_on"], freq="M")
    table = came.groupby(["part", "month"])["quantity"].sum()
    rows = []
    for at, part in enumerate(forecast.parts):
        size = max(1.0, float(forecast.past.series.loc[part].mean()))
        values = [float(table.get((part, m), 0.0)) for m in forecast.months]
        runs = [*oracle[:, at].T, oracle[:, at].sum(axis=1)]
        asked = [*zip(forecast.months, values, strict=True), ("total", sum(values))]
        for (month, value), foreseen in zip(asked, runs, strict=True):
            kind = "total" if isinstance(month, str) else "month"
            ours, best = forecast.pmf(part, month), counted(foreseen)
            row = {
                "fleet": name,
                "part": part,
                "kind": kind,
                "value": value,
                "size": size,
                "ours": pinball(ours, value),
                "oracle": pinball(best, value),
                "pit": pit(ours, value, rng),
                "oracle_pit": pit(best, value, rng),
                "mean": float(np.arange(ours.size) @ ours),
                "oracle_mean": float(np.arange(best.size) @ best),
            }
            row |= {m: pinball(forecast.pmf(part, month, m), value) for m in METHODS}
            rows.append(row)
    return pd.DataFrame(rows)


def marks(scores: pd.DataFrame) -> pd.DataFrame:
    out = []
    for kind, rows in scores.groupby("kind"):
        methods = ["ours", "oracle", *METHODS]
        for scaled in (False, True):
            loss = rows[methods].div(rows["size"], axis=0).sum() if scaled else rows[methods].sum()
            best = loss[list(METHODS)].min()
            inside = ((rows["pit"] >= 0.05) & (rows["pit"] <= 0.95)).mean()
            out.append(
                {
                    "kind": kind,
                    "scaled": scaled,
                    "gain": 1 - loss["ours"] / best,
                    "oracle_gain": 1 - loss["oracle"] / best,
                    "way": (best - loss["ours"]) / (best - loss["oracle"]),
                    "cover": inside,
                    "low": (rows["pit"] < 0.05).mean(),
                    "high": (rows["pit"] > 0.95).mean(),
                    "oracle_cover": ((rows["oracle_pit"] >= 0.05) & (rows["oracle_pit"] <= 0.95)).mean(),
                    "bias": rows["mean"].sum() / rows["value"].sum(),
                    "oracle_bias": rows["oracle_mean"].sum() / rows["value"].sum(),
                    "best": loss[list(METHODS)].idxmin(),
                }
            )
    return pd.DataFrame(out).round(3)


def options_of(seed: int) -> dict[str, Any]:
    """What a random fleet of this seed is like."""
    rng = np.random.default_rng(seed)
    return {
        "units": int(rng.choice([40, 80, 150, 300])),
        "years": float(rng.choice([3.0, 5.0, 7.0])),
        "yearly": float(rng.choice([25_000.0, 45_000.0, 70_000.0])),
        "components": int(rng.choice([7, 10])),
    }


def run_one(seed: int) -> tuple[pd.DataFrame, float, Forecast, Any]:
    options = options_of(seed)
    fleet = random_fleet(seed, months_after=13, **options)
    day = cut_day(fleet, 13)
    history, records = history_at(fleet, day)
    fits, units = fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)
    start = time.perf_counter()
    forecast = forecast_parts(records, history, fits, units, months=12)
    forecast.frame(total=True)
    spent = time.perf_counter() - start
    oracle = true_futures(fleet, day, forecast.parts, forecast.months, runs=ORACLE_RUNS, seed=seed)
    scores = score(fleet, forecast, oracle, f"{seed} {options}", np.random.default_rng(seed))
    return scores, spent, forecast, fleet


def main(fleets: int = 12, first: int = 1) -> None:
    warnings.simplefilter("ignore")
    pd.set_option("display.width", 200)
    everything = []
    for seed in range(first, first + fleets):
        scores, spent, forecast, _ = run_one(seed)
        everything.append(scores)
        own = marks(scores).query("not scaled").set_index("kind")
        modes = "/".join(type(m.failures).__name__[0] for m in forecast.models.values())
        print(
            scores["fleet"].iloc[0],
            f"{spent:.1f} s",
            modes,
            own[["gain", "oracle_gain", "cover", "bias", "oracle_bias", "best"]].to_dict("index"),
            flush=True,
        )
    print(marks(pd.concat(everything)).to_string())


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
