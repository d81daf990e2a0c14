"""How far each vehicle goes in a day, with what is not known about it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.demand.piece import earliest
from rebuildstats.demand.sums import Array
from rebuildstats.fits.exchange import Ask, Steps, alone

HALF_LIVES = (3.0, 6.0, 12.0, 24.0, 1e6)  # months after which a reading weighs half; the last: never less
_FLEET_SD_FLOOR = 0.02  # a whole fleet's mileage is never forecast better than this share
_OWN_SD_FLOOR = 0.02


@dataclass(frozen=True, slots=True)
class Usage:
    """Distance per day.

    per_day: vehicle -> expected distance per day from now on. fleet_per_day: for a vehicle never read. own_sd: sd of
    the
    log of a vehicle's coming mean rate about its estimate, without what the whole fleet shares; fleet_sd: of the shared
    part. season: (12,) factor per calendar month, mean 1. half_life: months, as chosen. last_read: vehicle -> date of
    its
    last reading. readings: vehicle months behind it.
    """

    per_day: dict[str, float]
    fleet_per_day: float
    own_sd: float
    fleet_sd: float
    season: Array
    half_life: float
    last_read: dict[str, pd.Timestamp]
    readings: int


def monthly_rates(
    line: pd.DataFrame, first: pd.Timestamp, as_of: pd.Timestamp
) -> tuple[list[str], pd.PeriodIndex, Array]:
    """Distance per day of every vehicle in every calendar month from that of `first` on, where its readings span it:
    (vehicles, months), NaN where not. line: vehicle, read_on, distance, none missing."""
    names = [str(v) for v in pd.unique(line["vehicle"])]
    if pd.isna(first):
        return [], pd.period_range(as_of, as_of, freq="M"), np.empty((0, 1))
    dates = pd.to_datetime(line["read_on"])
    months = pd.period_range(first.to_period("M"), as_of.to_period("M"), freq="M")
    edges = np.append(days_of(months.start_time), float(days_of(months[-1:].end_time)[0]) + 1.0)
    rates = np.full((len(names), len(months)), np.nan)
    for i, (_, own) in enumerate(line.assign(_d=days_of(dates)).groupby("vehicle", sort=False)):
        day, at = np.unique(own["_d"].to_numpy(float), return_index=True)
        if day.size < 2:
            continue
        distance = own["distance"].to_numpy(float)[at]
        low, high = np.clip(edges[:-1], day[0], day[-1]), np.clip(edges[1:], day[0], day[-1])
        span = high - low
        gone = np.interp(high, day, distance) - np.interp(low, day, distance)
        whole = span >= 7.0  # a few days of a month say little of it
        rates[i, whole] = gone[whole] / span[whole]
    return names, months, rates


def days_of(dates: pd.Series | pd.DatetimeIndex) -> NDArray[np.float64]:
    """Dates as days since 1970 (float; NaN for a missing one)."""
    stamps = pd.DatetimeIndex(dates)
    return np.asarray((stamps - pd.Timestamp("1970-01-01")) / pd.Timedelta(days=1), dtype=float)


def _weights(rates: Array, half_life: float) -> Array:
    age = np.arange(rates.shape[1])[::-1]
    return np.where(np.isnan(rates), 0.0, 0.5 ** (age / half_life))


def _estimate(rates: Array, half_life: float) -> Array:
    """Recency-weighted mean rate of each vehicle, shrunk to the fleet's by the variances within and between (V,)."""
    w = _weights(rates, half_life)
    filled = np.nan_to_num(rates)
    total = w.sum(axis=1)
    fleet = float((w * filled).sum() / max(w.sum(), 1e-12))
    mean = np.where(total > 0, (w * filled).sum(axis=1) / np.maximum(total, 1e-12), fleet)
    effective = np.where(total > 0, total**2 / np.maximum((w**2).sum(axis=1), 1e-12), 0.0)
    known = effective > 1.0
    if known.sum() < 3:
        return mean
    within = float(
        (w * (filled - mean[:, None]) ** 2 * (rates == rates)).sum() / max(w.sum() - known.sum() * 0.5, 1e-12)
    )
    between = max(float(mean[known].var() - np.mean(within / effective[known])), 1e-6 * fleet**2)
    trust = effective / (effective + within / between)
    return np.asarray(trust * mean + (1.0 - trust) * fleet)


def _look_back(rates: Array, half_life: float, ahead: int = 12) -> list[Array]:
    """Log of (what was run in the next months / what was estimated), per origin, for the vehicles read on both
    sides."""
    out = []
    months = rates.shape[1]
    for origin in range(months - 3, 11, -3):
        later = rates[:, origin : origin + ahead]
        read = (~np.isnan(later)).sum(axis=1) >= 3
        read &= (~np.isnan(rates[:, :origin])).sum(axis=1) >= 3
        if read.sum() < 3:
            continue
        true = np.nanmean(later[read], axis=1)
        guess = _estimate(rates[:, :origin], half_life)[read]
        good = np.flatnonzero((true > 0) & (guess > 0))
        if good.size:
            out.append(np.log(true[good] / guess[good]))
        if len(out) >= 8:
            break
    return out


def _season(rates: Array, months: pd.PeriodIndex) -> Array:
    """Factor of each calendar month over a year's mean, shrunk to 1 by its own standard error."""
    season = np.ones(12)
    if rates.shape[1] < 24:
        return season
    unread = np.asarray(np.isnan(rates).all(axis=1)).reshape(-1, 1)
    level = np.nanmean(np.where(unread, 1.0, rates), axis=1)
    ratio = rates / np.where(level > 0, level, np.nan)[:, None]
    counted = (~np.isnan(ratio)).sum(axis=0)
    fleet = np.where(counted > 0, np.nansum(ratio, axis=0) / np.maximum(counted, 1), np.nan)
    trend = pd.Series(fleet).rolling(12, center=True, min_periods=6).mean().to_numpy()
    relative = fleet / trend
    for month in range(12):
        own = relative[np.asarray(months.month) == month + 1]
        own = own[np.isfinite(own)]
        if own.size >= 2:
            se2 = max(float(own.var(ddof=1)) / own.size, 1e-6)
            gap = float(own.mean()) - 1.0
            season[month] = 1.0 + gap * max(0.0, 1.0 - se2 / max(gap**2, 1e-12))
    return np.asarray(season / season.mean())


def usage_rates(line: pd.DataFrame, as_of: pd.Timestamp, fallback: float = np.nan) -> Usage:
    """Each vehicle's distance per day from its joined odometer line (vehicle, read_on, distance).

    Recent readings weigh more: the half-life is the one that would have foretold the next months best over the line's
    own
    past, and the errors it would have made there are the uncertainty, split into what vehicles share and what is their
    own.
    fallback: distance per day when there is no line at all (NaN: unknown).
    """
    return alone(usage_of_fleet(line, None, as_of, fallback))


def usage_of_fleet(
    line: pd.DataFrame, vehicles: frozenset[str] | None, as_of: pd.Timestamp, fallback: float
) -> Steps[Usage]:
    """The same for a piece of a fleet: of the vehicles in its line. vehicles: those it speaks for (None: all)."""
    read = line.dropna(subset=["vehicle", "read_on", "distance"])
    read = read if vehicles is None else read[read["vehicle"].isin(vehicles)]
    (first,) = yield from earliest([pd.to_datetime(read["read_on"]).min()])
    names, months, rates = monthly_rates(read, first, as_of)
    wanted = [str(v) for v in pd.unique(line["vehicle"].dropna())]
    usage: Usage = yield Ask(_usage_each, (names, months, rates, wanted, fallback))
    dated = line.dropna(subset=["read_on"]).groupby("vehicle")["read_on"].max()
    return replace(usage, last_read={str(v): pd.Timestamp(d) for v, d in dated.items()})


def _usage_each(owns: list[tuple[list[str], pd.PeriodIndex, Array, list[str], float]]) -> list[Usage]:
    """Each piece's usage: what the whole fleet shares, and the rates of the vehicles that it asks for."""
    names = [name for own, *_ in owns for name in own]
    rates = np.concatenate([own for _, _, own, *_ in owns])
    if len(owns) > 1:  # the order of one machine's line
        order = sorted(range(len(names)), key=names.__getitem__)
        names, rates = [names[i] for i in order], rates[order]
    usage = _usage(names, owns[0][1], rates, owns[0][4])
    asked: list[Any] = [wanted for *_, wanted, _ in owns]
    return [replace(usage, per_day={v: usage.per_day[v] for v in wanted if v in usage.per_day}) for wanted in asked]


def _usage(names: list[str], months: pd.PeriodIndex, rates: Array, fallback: float) -> Usage:
    last: dict[str, pd.Timestamp] = {}
    seen = np.asarray(np.isfinite(rates), dtype=bool)
    if not seen.any():
        return Usage({}, fallback, 0.25, 0.1, np.ones(12), HALF_LIVES[-1], last, 0)
    best, errors = HALF_LIVES[2], [np.zeros(1)]
    score = np.inf
    for half_life in HALF_LIVES:
        tried = _look_back(rates, half_life)
        if not tried:
            continue
        loss = float(np.median(np.abs(np.concatenate(tried)))) * (1.0 + 1e-9 * half_life)
        if loss < score:
            best, errors, score = half_life, tried, loss
    estimate = _estimate(rates, best)
    if np.isfinite(score):
        shared = np.array([float(np.median(e)) for e in errors])
        own = np.concatenate([e - np.median(e) for e in errors])
        # origins three months apart share most of their year ahead: their spread, not their count, is what is used
        fleet_sd = float(np.sqrt(np.mean(shared**2)))
        own_sd = float(np.subtract(*np.percentile(own, [84, 16])) / 2.0)
    else:
        fleet_sd, own_sd = 0.08, 0.25
    per_day = {
        name: float(rate)
        for name, rate, any_ in zip(names, estimate, np.asarray(seen.any(axis=1)), strict=True)
        if any_
    }
    weights = _weights(rates, best).sum(axis=1)
    fleet = float(np.average(estimate, weights=np.maximum(weights, 1e-12)))
    return Usage(
        per_day,
        fleet,
        max(own_sd, _OWN_SD_FLOOR),
        float(np.clip(fleet_sd, _FLEET_SD_FLOOR, 0.25)),
        _season(rates, months),
        best,
        last,
        int(seen.sum()),
    )
