"""The installed base today: every unit in service with its age, its vehicle's mileage per day, its positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.demand.parts import final_parts
from rebuildstats.demand.piece import earliest
from rebuildstats.demand.sums import Array
from rebuildstats.demand.usage import Usage, days_of
from rebuildstats.fits.exchange import Steps, alone, total

if TYPE_CHECKING:
    from rebuildstats.history.known import History
    from rebuildstats.life_records.records import Records

NEVER = 1e6  # days: no retirement known
BENCH_DAYS = 45  # a vehicle without a unit for longer is not waiting for one


@dataclass(frozen=True, slots=True)
class Positions:
    """One component's positions over a fleet's units: arrays (units, positions). age, good: NaN where unknown; failed:
    found bad and left in; part: the last number of what is fitted there, where known; lower, upper: 90 % interval of an
    expected age (`first_sight`), NaN where it is known."""

    component: str
    age: Array
    good: Array
    failed: NDArray[np.bool_]
    part: NDArray[np.object_]
    lower: Array
    upper: Array


@dataclass(frozen=True, slots=True)
class Fleet:
    """One family's units in service. Arrays (units,): age today (distance since rebuild; NaN unknown), per_day, days
    until retirement; site and shelf names; positions by component."""

    family: str
    units: list[str]
    vehicles: list[str]
    sites: list[str]
    shelves: list[str]
    age: Array
    per_day: Array
    days_left: Array
    positions: Mapping[str, Positions]


@dataclass(frozen=True, slots=True)
class Leaving:
    """Vehicles that leave service beyond those whose day is known: at a rate per vehicle and day, from so many days
    ahead on (the nearer ones are known)."""

    per_day: float
    known_to: float

    def still(self, start: Array, end: Array) -> Array:
        """Share of the vehicles still there, on average between two days ahead: arrays of any shape."""
        middle = np.maximum((start + end) / 2.0 - self.known_to, 0.0)
        return np.asarray(np.exp(-self.per_day * middle))


STAYING = Leaving(0.0, 0.0)
_LEAVING_DAYS = 3 * 365.25  # the past that tells how many leave


def vehicles_leaving(history: History, vehicles: frozenset[str] | None) -> Steps[Leaving]:
    """How many vehicles a shop can expect to lose, by those it lost in the last three years; how far ahead it learns of
    them, by those it knows of (the furthest of n stretched by (n + 1) / n, as for the end of an even distribution).

    vehicles: those a piece of a fleet speaks for, None for all.
    """
    own = history.vehicles
    own = own if vehicles is None else own[own["vehicle"].isin(vehicles)]
    as_of = pd.Timestamp(history.as_of)
    today = float(days_of(pd.DatetimeIndex([as_of]))[0])
    begin = np.nan_to_num(days_of(own["in_service_on"]) - today, nan=-_LEAVING_DAYS).clip(min=-_LEAVING_DAYS)
    end = np.nan_to_num(days_of(own["out_of_service_on"]) - today, nan=NEVER)
    ahead = end[(end > 0.0) & (end < NEVER)]
    own_lost = ((end > -_LEAVING_DAYS) & (end <= 0.0)).sum()
    own_watched = np.maximum(np.minimum(end, 0.0) - begin, 0.0).sum()
    lost, watched, known = yield from total(np.array([own_lost, own_watched, ahead.size], dtype=float))
    (furthest,) = yield from earliest([-ahead.max() if ahead.size else np.nan])
    known_to = -float(furthest) * (known + 1.0) / known if known else 0.0
    return Leaving(float(lost / watched) if watched > 0 else 0.0, float(known_to))


def first_seen(history: History) -> dict[str, pd.Timestamp]:
    """The day from which each unit ran under the shop's eyes: first seen, else first fitted, else first opened."""
    when = pd.concat(
        [
            history.units[["unit", "first_seen_on"]].rename(columns={"first_seen_on": "on"}).assign(rank=0),
            history.fitments[["unit", "fitted_on"]].rename(columns={"fitted_on": "on"}).assign(rank=1),
            history.teardowns[["unit", "opened_on"]].rename(columns={"opened_on": "on"}).assign(rank=2),
        ]
    ).dropna()
    first = when.sort_values(["rank", "on"]).drop_duplicates("unit")
    return {str(u): pd.Timestamp(d) for u, d in zip(first["unit"], first["on"], strict=True)}


def mileage_line(history: History, records: Records) -> tuple[pd.DataFrame, float]:
    """The line that distance per day is read from, and the fleet's rate where there is no line.

    Vehicles' odometers where there are any; the rate of last resort is the distance that units ran between two
    teardowns (or first sight) of known mileage over the days between.
    """
    return records.usage[["vehicle", "read_on", "distance"]], alone(rate_of_last_resort(history, records))


def rate_of_last_resort(history: History, records: Records) -> Steps[float]:
    """That rate alone, of the whole fleet; NaN where no unit's distance is known."""
    seen = history.units[["unit", "first_seen_on", "first_seen_mileage"]].rename(
        columns={"first_seen_on": "on", "first_seen_mileage": "mileage"}
    )
    jobs = records.teardowns[["unit", "opened_on", "mileage"]].rename(columns={"opened_on": "on"})
    both = pd.concat([seen, jobs], ignore_index=True).dropna().sort_values(["unit", "on"])
    gone = both.groupby("unit")["mileage"].diff()
    days = both.groupby("unit")["on"].diff().dt.days
    good = (days > 0) & (gone >= 0)
    total_days, run = yield from total((float(days[good].sum()), float(gone[good].sum())))
    return run / total_days if total_days > 0 else np.nan


def fleets_today(history: History, records: Records, usage: Usage, shelf_of: Mapping[str, str]) -> dict[str, Fleet]:
    """The units in service by family, ages carried from the last reading to the as-of day at the vehicle's own rate.

    Without any fitment every unit counts as in service (the smallest history has no fitments); otherwise a unit on the
    shelf neither wears nor comes in.
    """
    as_of = pd.Timestamp(history.as_of)
    units = records.units
    if len(history.fitments):
        units = _with_those_on_the_bench(units, history, as_of)
    first = history.units.set_index("unit")["first_seen_on"]
    # what is fitted under an old number is renewed under the last one
    final = final_parts(history.parts)
    places = records.positions.assign(part=[final.get(p, p) for p in records.positions["part"]])
    out: dict[str, Fleet] = {}
    for family, own in units.groupby("family", sort=True):
        rows = own.reset_index(drop=True)
        vehicles = [str(v) if isinstance(v, str) else "" for v in rows["vehicle"]]
        per_day = np.array([usage.per_day.get(v, usage.fleet_per_day) for v in vehicles], dtype=float)
        read = pd.Series([usage.last_read.get(v, pd.NaT) for v in vehicles], dtype="datetime64[us]")
        known_to = pd.concat(
            [
                read,
                rows["last_opened_on"],
                rows["fitted_on"],
                pd.Series(first.reindex(rows["unit"]).to_numpy(), dtype="datetime64[us]").where(read.isna()),
            ],
            axis=1,
        ).max(axis=1)
        lag = np.clip(np.nan_to_num((as_of - known_to).dt.days.to_numpy(dtype=float)), 0.0, None)
        # a vehicle that isn't read any more is not assumed to run for ever
        run = np.where(np.isfinite(per_day), per_day, 0.0) * np.minimum(lag, 180.0)
        left = np.nan_to_num(
            days_of(rows["out_of_service_on"]) - float(days_of(pd.DatetimeIndex([as_of]))[0]), nan=NEVER
        )
        names = [str(u) for u in rows["unit"]]
        sites = [str(s) if isinstance(s, str) else "" for s in rows["site"]]
        default = shelf_of.get("", "")
        out[str(family)] = Fleet(
            str(family),
            names,
            vehicles,
            sites,
            [shelf_of.get(s, default) for s in sites],
            rows["age"].to_numpy(dtype=float) + run,
            per_day,
            left,
            _positions(places[places["family"] == family], names, run),
        )
    return out


def _with_those_on_the_bench(units: pd.DataFrame, history: History, as_of: pd.Timestamp) -> pd.DataFrame:
    """Units in service, and those just taken out of a vehicle that still waits for a unit of the family.

    Such a vehicle will run again with a rebuilt unit in days; leaving it out would lose it for the whole horizon.
    """
    running = units[units["in_service"]]
    last = history.fitments.sort_values("fitted_on").merge(units[["unit", "family"]], on="unit")
    last = last.drop_duplicates(["vehicle", "family"], keep="last")
    out_for = (as_of - last["removed_on"]).dt.days
    vehicles = history.vehicles.set_index("vehicle")
    gone = vehicles["out_of_service_on"].reindex(last["vehicle"]).to_numpy()
    waiting = last[
        (out_for >= 0) & (out_for <= BENCH_DAYS) & ~(pd.Series(gone, index=last.index) <= as_of)
    ].drop_duplicates("unit", keep="last")
    back = units[~units["in_service"] & units["vehicle"].isna()].merge(waiting[["unit", "vehicle"]], on="unit")
    if not len(back):
        return running
    back = back.assign(vehicle=back["vehicle_y"]).drop(columns=["vehicle_x", "vehicle_y"])
    for column in ("site", "duty", "out_of_service_on"):
        back[column] = vehicles[column].reindex(back["vehicle"]).to_numpy()
    return pd.concat([running, back[running.columns]], ignore_index=True)


def _positions(frame: pd.DataFrame, units: list[str], run: Array) -> dict[str, Positions]:
    place = pd.Series(np.arange(len(units)), index=units)
    out = {}
    for component, rows in frame.groupby("component", sort=True):
        n = int(rows["position"].max())
        row = place.reindex(rows["unit"]).to_numpy()
        kept = np.isfinite(row)
        at = (row[kept].astype(int), rows["position"].to_numpy(dtype=int)[kept] - 1)
        age, good = np.full((len(units), n), np.nan), np.full((len(units), n), np.nan)
        failed = np.zeros((len(units), n), dtype=bool)
        age[at] = rows["age"].to_numpy(dtype=float)[kept]
        good[at] = rows["good_age"].to_numpy(dtype=float)[kept]
        failed[at] = rows["failed"].to_numpy(dtype=bool)[kept]
        part = np.full((len(units), n), None, dtype=object)
        fitted = [p if isinstance(p, str) else None for p in rows["part"]]
        part[at] = np.array(fitted, dtype=object)[kept]
        ends = np.full((2, len(units), n), np.nan)
        if "age_lower" in rows:
            ends[0][at] = rows["age_lower"].to_numpy(dtype=float)[kept]
            ends[1][at] = rows["age_upper"].to_numpy(dtype=float)[kept]
        lower, upper = ends + run[:, None]
        out[str(component)] = Positions(str(component), age + run[:, None], good, failed, part, lower, upper)
    return out
