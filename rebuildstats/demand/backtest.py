"""How each method would have done on the shop's own past, everything refitted with only what was known then.

Rolling origins (Tashman 2000, IJF 16:437). The history at an origin comes from a callable, so that what is dated later
cannot leak in: it never gets here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from rebuildstats.demand.forecast import OWN, TOTAL, Forecast, forecast_parts
from rebuildstats.demand.parts import by_month
from rebuildstats.demand.past import past_demand
from rebuildstats.demand.scores import covered, crps, pinball
from rebuildstats.demand.series import METHODS
from rebuildstats.demand.sums import Array, mean_of, quantiles_of
from rebuildstats.errors import NothingToComputeError

if TYPE_CHECKING:
    from rebuildstats.history.known import History
    from rebuildstats.life_records.records import Records

COLUMNS = [
    "part", "method", "origin", "months", "pinball", "crps", "coverage_90", "scaled_error", "held_jobs", "money_held",
    "chosen", "gain",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Backtest:
    """Scores by part, method and origin. `rows`: COLUMNS, `total_pinball` (of the horizon as one) and `in_force`

    pinball: mean over months of the pinball loss over the quantiles of the contract, pieces; crps: mean over months,
    pieces;
    coverage_90: share of months inside the 90 % band; scaled_error: absolute error of the horizon's total over the mean
    monthly demand before the origin times months; held_jobs: pieces short when the horizon's 95 % quantile had been
    stocked,
    in jobs of usual size; money_held: unit cost x what would have lain unused of it; chosen: the method with the
    least pinball loss over the months that were over on the origin, as forecast from the origins before it (on all
    months, in the last origin's rows); gain: pinball saved against the part's best series method in hindsight of that
    origin, as a share (negative: lost; missing where that method lost nothing).
    """

    rows: pd.DataFrame
    origins: tuple[date, ...]

    def frame(self) -> pd.DataFrame:
        """The contract's columns."""
        return self.rows[COLUMNS].copy()

    def by_method(self) -> pd.DataFrame:
        """Pooled over parts and origins: method, forecasts, pinball, crps, coverage_90, scaled_error, gain (pinball
        saved against the best series method)."""
        pooled = self.rows.groupby("method", as_index=False).agg(
            forecasts=("pinball", "size"),
            pinball=("pinball", "sum"),
            crps=("crps", "sum"),
            coverage_90=("coverage_90", "mean"),
            scaled_error=("scaled_error", "mean"),
        )
        series = pooled.loc[pooled["method"].isin(METHODS), "pinball"]
        pooled["gain"] = 1.0 - pooled["pinball"] / series.min() if len(series) else np.nan
        return pooled.sort_values("pinball", ignore_index=True)

    def chosen(self) -> dict[str, str]:
        """part -> the method that did best on all origins."""
        last = self.rows[self.rows["origin"] == self.rows["origin"].max()]
        best = last[last["chosen"]]
        return dict(zip(best["part"], best["method"], strict=True))


def origins_before(first: date, last: date, *, months: int, most: int = 4, least_past: int = 18) -> list[date]:
    """Month ends from which `months` whole months lie before `last`, the latest first in time order: up to `most`,
    half a
    year apart, each with at least `least_past` months of past. Empty when the history is too short."""
    end = pd.Timestamp(last).to_period("M")
    if pd.Timestamp(last).normalize() < end.end_time.normalize():
        end = end - 1
    begin = pd.Timestamp(first).to_period("M") + least_past
    found: list[date] = []
    at = end - months
    while at >= begin and len(found) < most:
        found.append(at.end_time.date())
        at = at - 6
    return found[::-1]


def backtest(
    history_at: Callable[[date], tuple[History, Records]],
    fit: Callable[[History, Records], tuple[Any, Any]],
    origins: Sequence[date],
    today: tuple[History, Records],
    *,
    months: int = 12,
    draws: int = 100,
    seed: int = 0,
    progress: Callable[[float, float, str], None] | None = None,
) -> Backtest:
    """Forecast from each origin with what was known then, and score against what came.

    history_at: history and records as known on a day. fit: (life fits, unit fits) of those. origins: in time order,
    each
    with `months` whole months after it before today. today: the history against which is scored. Raises
    NothingToComputeError without an origin.
    """
    if not origins:
        raise NothingToComputeError(
            "The history is too short to look back: it needs 18 months of past and, after them, the months of the "
            "horizon."
        )
    frames: list[pd.DataFrame] = []
    monthly: list[pd.DataFrame] = []
    for i, origin in enumerate(origins):
        if progress is not None:
            progress(i, len(origins), f"as known on {origin}")
        history, records = history_at(origin)
        life_fits, unit_fits = fit(history, records)
        forecast = forecast_parts(records, history, life_fits, unit_fits, months=months, draws=draws, seed=seed)
        scores, losses = _scores(forecast, today, origin)
        frames.append(scores)
        monthly.append(losses)
    if progress is not None:
        progress(len(origins), len(origins), "done")
    rows = choose(pd.concat(frames, ignore_index=True), pd.concat(monthly, ignore_index=True))
    return Backtest(with_gain(rows), tuple(origins))


def realised(today: tuple[History, Records], forecast: Forecast) -> pd.DataFrame:
    """Pieces that came, part x month of the forecast, by the contract's meaning of demand."""
    history, records = today
    past = past_demand(history, records, forecast.uses, forecast.parts)
    return by_month(past.pieces, forecast.parts, forecast.months)


def _scores(forecast: Forecast, today: tuple[History, Records], origin: date) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of the backtest for one origin, and the pinball loss of each month: part, method, month, pinball,
    in_force."""
    came = realised(today, forecast)
    cost = dict(zip(today[0].parts["part"], today[0].parts["unit_cost"].astype(float), strict=True))
    rows: list[dict[str, object]] = []
    monthly: list[tuple[object, ...]] = []
    for part in forecast.parts:
        values = came.loc[part].to_numpy(dtype=float)
        scale = max(float(np.mean(forecast.past.series.loc[part].to_numpy(dtype=float))), 1.0 / 12.0) * len(values)
        pieces = forecast.past.pieces
        lot = pieces.loc[(pieces["part"] == part) & (pieces["quantity"] > 0), "quantity"]
        for method in _methods(forecast, part):
            by_month_pmf = [forecast.pmf(part, month, method) for month in forecast.months]
            total = forecast.pmf(part, TOTAL, method)
            (stocked,) = quantiles_of(total, [0.95])
            losses = [pinball(pmf, float(value)) for pmf, value in zip(by_month_pmf, values, strict=True)]
            in_force = method == forecast.method_of[part]
            monthly.extend((part, method, m, x, in_force) for m, x in zip(forecast.months, losses, strict=True))
            rows.append(
                {
                    "part": part,
                    "method": method,
                    "origin": pd.Timestamp(origin),
                    "months": len(values),
                    "pinball": float(np.mean(losses)),
                    "crps": _mean(crps, by_month_pmf, values),
                    "coverage_90": _mean(covered, by_month_pmf, values),
                    "scaled_error": abs(mean_of(total) - values.sum()) / scale,
                    "total_pinball": pinball(total, float(values.sum())),
                    "held_jobs": max(0.0, values.sum() - stocked) / (float(lot.mean()) if len(lot) else 1.0),
                    "money_held": max(0.0, stocked - values.sum()) * float(cost.get(part, float("nan"))),
                    "in_force": in_force,
                }
            )
    return pd.DataFrame(rows), pd.DataFrame(monthly, columns=["part", "method", "month", "pinball", "in_force"])


def _mean(score: Callable[[Array, float], float], pmfs: Sequence[Array], values: Array) -> float:
    return float(np.mean([score(pmf, float(value)) for pmf, value in zip(pmfs, values, strict=True)]))


def _methods(forecast: Forecast, part: str) -> list[str]:
    own = [OWN] if forecast.method_of[part] not in METHODS else []
    return [*own, *METHODS]


def choose(rows: pd.DataFrame, monthly: pd.DataFrame) -> pd.DataFrame:
    """Mark, per part and origin, the method that did best over the months that were over by then; the method in force
    where none was. monthly: each month's losses, from every origin."""
    rows = rows.copy()
    rows["chosen"] = False
    last = rows["origin"].max()
    # a few months are a thin witness: the method in force keeps a tenth's advantage
    weighed = monthly.assign(loss=monthly["pinball"] * np.where(monthly["in_force"], 0.9, 1.0))
    for origin in sorted(rows["origin"].unique()):
        over = weighed if origin == last else weighed[weighed["month"] <= pd.Timestamp(origin).to_period("M")]
        loss = over.pivot_table(index="part", columns="method", values="loss", aggfunc="mean")
        for part, now in rows[rows["origin"] == origin].groupby("part"):
            best = loss.reindex(index=[part], columns=list(now["method"])).iloc[0].dropna()
            name = str(best.idxmin()) if len(best) else str(now.loc[now["in_force"], "method"].iloc[0])
            rows.loc[now.index[now["method"] == name], "chosen"] = True
    return rows


def with_gain(rows: pd.DataFrame) -> pd.DataFrame:
    """Who won, part by part, and by how much: the rows with `gain` over the part's best series method."""
    series = rows[rows["method"].isin(METHODS)]
    best = series.groupby(["part", "origin"])["pinball"].min().rename("best")
    against = rows[["part", "origin"]].join(best, on=["part", "origin"])["best"]
    return rows.assign(gain=1.0 - rows["pinball"] / against.where(against > 0.0))
