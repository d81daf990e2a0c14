"""When units will be opened: each unit's chance by interval of time, from its own age and its vehicle's mileage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rebuildstats.demand.failures import Later, PositionFailures, UnitFailures, gather, moved_by_draws
from rebuildstats.demand.fleet import STAYING, Fleet, Leaving
from rebuildstats.demand.hazards import Hazard, age_grid, constant_rate, tabulate
from rebuildstats.demand.sums import Array
from rebuildstats.demand.usage import Usage
from rebuildstats.fits.exchange import Steps, total
from rebuildstats.fits.life import fit_units_of_piece

BOOKED = 3.0  # hazard of a booked teardown in its month: 95 % of what is booked is taken to come
_NORMAL = ((-np.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (np.sqrt(3.0), 1 / 6))  # Gauss-Hermite, three nodes
_SWING = 0.15  # shared mileage is moved by this much, in log, to see how the expected teardowns answer


@dataclass(frozen=True, slots=True)
class Calendar:
    """Intervals from the as-of day on: the days to the first whole month, then calendar months.

    edges: (K + 1,) days; run: (K + 1,) the same in days of average running (season, and vehicles that leave);
    months: (K,) the period of each, the first one the rest of the as-of month.
    """

    as_of: pd.Timestamp
    edges: Array
    run: Array
    months: pd.PeriodIndex

    @property
    def middle(self) -> Array:
        return (self.run[1:] + self.run[:-1]) / 2.0

    def share(self, start: float, end: float) -> Array:
        """How much of each interval (K,) lies between two days after the as-of day."""
        low, high = np.clip(self.edges[:-1], start, end), np.clip(self.edges[1:], start, end)
        length = np.diff(self.edges)
        return np.asarray(np.where(length > 0, (high - low) / np.where(length > 0, length, 1.0), 0.0))


def calendar(as_of: pd.Timestamp, months: int, season: Array, leaving: Leaving = STAYING) -> Calendar:
    """The as-of month's rest and `months` calendar months after it; a vehicle that may have left by then runs by so
    much less."""
    first = as_of.to_period("M")
    periods = pd.period_range(first, periods=months + 1, freq="M")
    ends = np.array([(p.end_time.normalize() - as_of).days for p in periods], dtype=float)
    edges = np.concatenate([[0.0], ends])
    factor = season[np.asarray(periods.month) - 1]
    run = np.diff(edges) * factor * leaving.still(edges[:-1], edges[1:])
    return Calendar(as_of, edges, np.concatenate([[0.0], np.cumsum(run)]), periods)


@dataclass(frozen=True, slots=True)
class TeardownModel:
    """One family: how failures come about, and the hazard of a scheduled rebuild over the unit's age."""

    family: str
    failures: UnitFailures | PositionFailures
    scheduled: Hazard


@dataclass(frozen=True, slots=True)
class Chances:
    """One family's teardowns to come. Arrays (units, K): the chance that the unit's first rebuild is for failure, or
    scheduled (booked ones in it), in each interval; expected further rebuilds (`again`; by component those it causes,
    where that is known) and repairs. Multipliers of the expected numbers by draw: (D, K). life_draws: component -> (D,)
    its failures in service relative to all."""

    failure: Array
    scheduled: Array
    again: Array
    again_caused: Mapping[str, Array]
    repair: Array
    booked: Array
    failure_draws: Array
    scheduled_draws: Array
    repair_draws: Array
    usage_draws: Array
    life_draws: Mapping[str, Array]


def scheduled_lives(unit_lives: pd.DataFrame) -> pd.DataFrame:
    """The same unit lives with the shop's scheduled rebuilds as the events and failures as the censoring.

    A unit comes in for failure or by schedule, whichever is first: rival risks, each fitted with the other as
    censoring. Campaigns are no habit: those to come stand in `planned`.
    """
    turned = unit_lives.copy()
    scheduled = (turned["end"] == "scheduled").to_numpy()
    turned["upper_age"] = np.where(scheduled, turned["lower_age"], np.nan)
    return turned


def scheduled_hazards(
    unit_lives: pd.DataFrame, tops: Mapping[str, float], places: Mapping[str, int], *, draws: int, seed: int
) -> Steps[dict[str, Hazard]]:
    """Per family the hazard of a scheduled rebuild over the unit's age; 0 where none was ever made.

    tops: family -> the oldest age to be asked for; places: its number in the fleet. Fewer than three scheduled rebuilds
    are a constant rate.
    """
    flipped = scheduled_lives(unit_lives)
    made = flipped["upper_age"].notna().groupby(flipped["family"]).sum()
    habit = (yield from fit_units_of_piece(flipped, seed=seed)) if (yield from total(int(made.sum()))) else None
    run = (unit_lives["lower_age"] - unit_lives["entry_age"]).groupby(unit_lives["family"]).sum()
    out = {}
    for family, top in sorted(tops.items()):
        grid, i = age_grid(top), places[family]
        if not made.get(family, 0):
            out[family] = Hazard(grid, 0.0 * grid, np.zeros((draws, grid.size)), 0.0)
        elif habit is None or made[family] < 3:
            out[family] = constant_rate(float(made[family]), max(float(run[family]), top), grid, draws, seed + i)
        else:
            out[family] = tabulate(habit.get(family, None), top, draws, seed + i, float(run[family]))
    return out


def repair_hazards(
    teardowns: pd.DataFrame,
    unit_lives: pd.DataFrame,
    tops: Mapping[str, float],
    places: Mapping[str, int],
    *,
    draws: int,
    seed: int,
) -> dict[str, Hazard]:
    """Per family repairs per distance, a constant rate; 0 where none was ever made."""
    run = (unit_lives["lower_age"] - unit_lives["entry_age"]).groupby(unit_lives["family"]).sum()
    made = teardowns[teardowns["scope"] == "repair"].groupby("family").size()
    out = {}
    for family, top in sorted(tops.items()):
        grid, i = age_grid(top), places[family]
        count = float(made.get(family, 0))
        exposure = max(float(run.get(family, 0.0)), top)
        out[family] = (
            constant_rate(count, exposure, grid, draws, seed + i)
            if count
            else Hazard(grid, 0.0 * grid, np.zeros((draws, grid.size)), 0.0)
        )
    return out


def hazards_by_days(
    teardowns: pd.DataFrame,
    units: pd.DataFrame,
    tops: Mapping[str, float],
    places: Mapping[str, int],
    as_of: pd.Timestamp,
    *,
    first: pd.Timestamp,
    draws: int,
    seed: int,
) -> tuple[dict[str, Hazard], dict[str, Hazard], dict[str, Hazard]]:
    """Failures, scheduled rebuilds and repairs per unit and day, constant: for a history that knows no distance.

    A unit counts from the day it was first seen, or else from the first teardown of all (`first`). Campaigns are left
    out, as they are no habit.
    """
    start = units["first_seen_on"].fillna(first)
    days = (as_of - start).dt.days.clip(lower=0.0).groupby(units["family"]).sum()
    failed, called = teardowns["reason"].isin(["failure", "comeback"]), teardowns["reason"] == "campaign"
    kind = np.select([teardowns["scope"] == "repair", failed, called], [2, 0, -1], 1)
    out: list[dict[str, Hazard]] = [{}, {}, {}]
    for family, top in sorted(tops.items()):
        for k in range(3):
            count = float(((teardowns["family"] == family).to_numpy() & (kind == k)).sum())
            exposure = max(float(days.get(family, 0.0)), 1.0)
            out[k][family] = constant_rate(count, exposure, age_grid(top), draws, seed + 3 * places[family] + k)
    return out[0], out[1], out[2]


@dataclass(frozen=True, slots=True)
class Booked:
    """What `planned` adds to a family, arrays (units, K): hazard of being opened for a failure that is known already,
    hazard of being opened for another reason, and the expected booked teardowns."""

    failing: Array
    calm: Array
    expected: Array


def booked_hazards(planned: pd.DataFrame, fleet: Fleet, when: Calendar) -> Booked:
    """Booked teardowns and campaigns of the family's units.

    A row with a unit is that unit's; a row with only a family is shared equally by the family's units in service. A
    booking for a failure or a comeback is a failure that has happened: such a unit is opened for its cause.
    """
    shape = (len(fleet.units), len(when.months))
    failing, calm, booked = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    place = {u: i for i, u in enumerate(fleet.units)}
    names = ("due_on", "unit", "family", "count", "reason")
    for due, unit, family, count, reason in zip(*(planned[n] for n in names), strict=True):
        hazard = failing if reason in ("failure", "comeback") else calm
        days = float((pd.Timestamp(due) - when.as_of).days)
        k = int(np.searchsorted(when.edges, days, side="left")) - 1
        if not 0 <= k < shape[1]:
            continue
        if isinstance(unit, str) and unit:
            if unit in place:
                hazard[place[unit], k] += BOOKED
                booked[place[unit], k] = 1.0
        elif family == fleet.family and shape[0]:
            each = min((1.0 if pd.isna(count) else float(count)) / shape[0], 0.95)
            hazard[:, k] += -np.log1p(-each)
            booked[:, k] += each
    return Booked(failing, calm, booked)


def _rebuilds(model: TeardownModel, fleet: Fleet, gone: Array, booked: Booked) -> tuple[Array, Array, Later]:
    """First rebuilds for failure, scheduled ones, (units, K) each, and what comes later."""
    failing = model.failures.failing(fleet, gone) + booked.failing
    planned = gather(model.scheduled, fleet.age, gone)
    taken = (booked.calm + booked.failing).sum(axis=1, keepdims=True) > 0
    planned = planned * np.where(taken, 0.0, 1.0) + booked.calm  # a booked unit is not scheduled a second time
    total = failing + planned
    left = np.exp(-np.concatenate([np.zeros((len(total), 1)), np.cumsum(total, axis=1)], axis=1))
    first = left[:, :-1] - left[:, 1:]
    share = failing / np.maximum(total, 1e-300)
    later = model.failures.later(fleet, gone, model.scheduled, first, first * (1.0 - share))
    return first * share, first * (1.0 - share), later


def teardown_chances(
    model: TeardownModel, fleet: Fleet, when: Calendar, usage: Usage, planned: pd.DataFrame, normals: Array
) -> Chances:
    """All of a family's chances and how they move from draw to draw.

    normals: (D,) standard normals of the mileage that the whole fleet shares. A vehicle's own uncertainty of mileage is
    averaged over in each unit's chance; what is shared moves all units together and stays a draw.
    """
    booked = booked_hazards(planned, fleet, when)
    rate = np.nan_to_num(fleet.per_day)

    def at(factor: float) -> tuple[dict[str, Array], Mapping[str, Array]]:
        gone = rate[:, None] * factor * np.minimum(when.run[None, :], fleet.days_left[:, None])
        failure, scheduled, later = _rebuilds(model, fleet, gone, booked)
        return {"failure": failure, "scheduled": scheduled, "again": later.again, "repair": later.repair}, later.caused

    expected: dict[str, Array] = {}
    caused: dict[str, Array] = {}
    for node, weight in _NORMAL:
        for whole, part in zip((expected, caused), at(float(np.exp(usage.own_sd * node))), strict=True):
            for name, own in part.items():
                whole[name] = whole.get(name, 0.0) + weight * own
    low, high = (np.sum([a.sum(axis=0) for a in at(float(np.exp(s)))[0].values()], axis=0) for s in (-_SWING, _SWING))
    answer = np.log(np.maximum(high, 1e-12) / np.maximum(low, 1e-12)) / (2.0 * _SWING)
    usage_draws = np.exp(usage.fleet_sd * normals[:, None] * answer[None, :])
    gone = rate[:, None] * np.minimum(when.run[None, :], fleet.days_left[:, None])
    failing, mended, life = model.failures.draws(fleet, gone)
    booking = moved_by_draws(model.scheduled, fleet.age, gone)
    return Chances(
        expected["failure"], expected["scheduled"], expected["again"], caused, expected["repair"], booked.expected,
        failing, booking, mended,
        usage_draws / usage_draws.mean(axis=0), life,
    )  # fmt: skip
