"""When units will be opened: each unit's chance by interval of time, from its own age and its vehicle's mileage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from rebuildstats.demand.fleet import Fleet
from rebuildstats.demand.hazards import Hazard, age_grid, constant_rate, ratio_to_point, tabulate
from rebuildstats.demand.sums import Array
from rebuildstats.demand.usage import Usage
from rebuildstats.fits.life import fit_unit_lives

BOOKED = 3.0  # hazard of a booked teardown in its month: 95 % of what is booked is taken to come
_NORMAL = ((-np.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (np.sqrt(3.0), 1 / 6))  # Gauss-Hermite, three nodes
_SWING = 0.15  # shared mileage is moved by this much, in log, to see how the expected teardowns answer


@dataclass(frozen=True, slots=True)
class Calendar:
    """Intervals from the as-of day on: the days to the first whole month, then calendar months.

    edges: (K + 1,) days; run: (K + 1,) the same in days of average running (season); months: (K,) the period of each,
    the
    first one the rest of the as-of month.
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


def calendar(as_of: pd.Timestamp, months: int, season: Array) -> Calendar:
    """The as-of month's rest and `months` calendar months after it."""
    first = as_of.to_period("M")
    periods = pd.period_range(first, periods=months + 1, freq="M")
    ends = np.array([(p.end_time.normalize() - as_of).days for p in periods], dtype=float)
    edges = np.concatenate([[0.0], ends])
    factor = season[np.asarray(periods.month) - 1]
    return Calendar(as_of, edges, np.concatenate([[0.0], np.cumsum(np.diff(edges) * factor)]), periods)


@dataclass(frozen=True, slots=True)
class TeardownModel:
    """One family: hazards of a rebuild for failure and of a scheduled one over the unit's age, repairs per distance."""

    family: str
    failure: Hazard
    scheduled: Hazard
    repair: Hazard


@dataclass(frozen=True, slots=True)
class Chances:
    """One family's teardowns to come. Arrays (units, K): the chance that the unit's first rebuild is for failure, or
    scheduled (booked ones in it), in each interval; expected further rebuilds (`again`) and repairs. Multipliers of the
    expected numbers by draw: (D, K)."""

    failure: Array
    scheduled: Array
    again: Array
    repair: Array
    booked: Array
    failure_draws: Array
    scheduled_draws: Array
    repair_draws: Array
    usage_draws: Array


def scheduled_lives(unit_lives: pd.DataFrame) -> pd.DataFrame:
    """The same unit lives with the shop's scheduled rebuilds as the events and failures as the censoring.

    A unit comes in for failure or by schedule, whichever is first: rival risks, each fitted with the other as
    censoring. Campaigns are no habit: those to come stand in `planned`.
    """
    turned = unit_lives.copy()
    scheduled = (turned["end"] == "scheduled").to_numpy()
    turned["upper_age"] = np.where(scheduled, turned["lower_age"], np.nan)
    return turned


def teardown_models(
    unit_lives: pd.DataFrame,
    teardowns: pd.DataFrame,
    fits: Mapping[str, Any],
    tops: Mapping[str, float],
    *,
    draws: int,
    seed: int,
) -> dict[str, TeardownModel]:
    """Per family the hazards of failure, schedule and repair. fits: family -> fitted unit life; tops: family -> the
    oldest age to be asked for."""
    flipped = scheduled_lives(unit_lives)
    habit = fit_unit_lives(flipped, seed=seed) if (flipped["upper_age"].notna()).any() else None
    run = (unit_lives["lower_age"] - unit_lives["entry_age"]).groupby(unit_lives["family"]).sum()
    repairs = teardowns[teardowns["scope"] == "repair"].groupby("family").size()
    models = {}
    for i, (family, top) in enumerate(sorted(tops.items())):
        exposure = float(run.get(family, 0.0))
        booked = flipped[flipped["family"] == family]["upper_age"].notna().sum()
        scheduled_fit = habit.get(family, None) if habit is not None and booked >= 3 else None
        grid = age_grid(top)
        models[family] = TeardownModel(
            family,
            tabulate(fits.get(family), top, draws, seed + 31 * i, exposure),
            tabulate(scheduled_fit, top, draws, seed + 31 * i + 7, exposure)
            if booked
            else Hazard(grid, 0.0 * grid, np.zeros((draws, grid.size)), 0.0),
            constant_rate(float(repairs.get(family, 0)), max(exposure, top), grid, draws, seed + 31 * i + 13)
            if repairs.get(family, 0)
            else Hazard(grid, 0.0 * grid, np.zeros((draws, grid.size)), 0.0),
        )
    return models


def planned_hazard(planned: pd.DataFrame, fleet: Fleet, when: Calendar) -> tuple[Array, Array]:
    """Hazard (units, K) that booked teardowns and campaigns add, and the expected booked teardowns (units, K).

    A row with a unit is that unit's; a row with only a family is shared equally by the family's units in service.
    """
    shape = (len(fleet.units), len(when.months))
    hazard, booked = np.zeros(shape), np.zeros(shape)
    place = {u: i for i, u in enumerate(fleet.units)}
    cells = zip(planned["due_on"], planned["unit"], planned["family"], planned["count"], strict=True)
    for due, unit, family, count in cells:
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
    return hazard, booked


def _gathered(hazard: Hazard, age: Array, gone: Array) -> Array:
    """Hazard gathered in each interval (units, K) by units of `age` (units,) that have run `gone` (units, K + 1)
    since."""
    at = age[:, None] + gone
    known = hazard.between(at[:, :-1], at[:, 1:])
    return np.where(np.isnan(age)[:, None], hazard.rate * np.diff(gone, axis=1), known)


def _rebuilds(model: TeardownModel, fleet: Fleet, gone: Array, extra: Array) -> tuple[Array, Array, Array]:
    """First rebuilds for failure, scheduled, and further ones: arrays (units, K)."""
    failing = _gathered(model.failure, fleet.age, gone)
    planned = _gathered(model.scheduled, fleet.age, gone)
    calm = np.where(extra.cumsum(axis=1)[:, -1:] > 0, 0.0, 1.0)  # a booked unit is not scheduled a second time
    planned = planned * calm + extra
    total = failing + planned
    left = np.exp(-np.concatenate([np.zeros((len(total), 1)), np.cumsum(total, axis=1)], axis=1))
    first = left[:, :-1] - left[:, 1:]
    share = failing / np.maximum(total, 1e-300)
    return first * share, first * (1.0 - share), _again(model, first, gone)


def _again(model: TeardownModel, first: Array, gone: Array) -> Array:
    """Expected rebuilds after the first one, (units, K): the renewal equation on the grid of intervals.

    A unit rebuilt in the middle of interval j starts at age 0 there; in its own interval it has half of it to run.
    """
    middle = (gone[:, :-1] + gone[:, 1:]) / 2.0
    kinds = first.shape[1]
    started = first.copy()
    again = np.zeros_like(first)
    for j in range(kinds):
        ages = np.maximum(gone[:, j + 1 :] - middle[:, j : j + 1], 0.0)
        ages = np.concatenate([np.zeros((len(first), 1)), ages], axis=1)
        total = model.failure.cumulative(ages) + model.scheduled.cumulative(ages)
        back = -np.diff(np.exp(-(total - total[:, :1])), axis=1)
        more = started[:, j : j + 1] * back
        again[:, j:] += more
        started[:, j:] += more  # what comes back starts again itself
        # what came back within its own interval is not followed further there; it is followed from the next one on
    return again


def teardown_chances(
    model: TeardownModel, fleet: Fleet, when: Calendar, usage: Usage, planned: pd.DataFrame, normals: Array
) -> Chances:
    """All of a family's chances and how they move from draw to draw.

    normals: (D,) standard normals of the mileage that the whole fleet shares. A vehicle's own uncertainty of mileage is
    averaged over in each unit's chance; what is shared moves all units together and stays a draw.
    """
    extra, booked = planned_hazard(planned, fleet, when)
    rate = np.nan_to_num(fleet.per_day)

    def at(factor: float) -> tuple[Array, Array, Array, Array]:
        gone = rate[:, None] * factor * np.minimum(when.run[None, :], fleet.days_left[:, None])
        return (*_rebuilds(model, fleet, gone, extra), model.repair.rate * np.diff(gone, axis=1))

    sums: list[Array] = [np.zeros((len(rate), len(when.months))) for _ in range(4)]
    for node, weight in _NORMAL:
        for total, part in zip(sums, at(float(np.exp(usage.own_sd * node))), strict=True):
            total += weight * part
    failure, scheduled, again, repair = sums
    low, high = (sum(a.sum(axis=0) for a in at(float(np.exp(s))))[:] for s in (-_SWING, _SWING))
    answer = np.log(np.maximum(high, 1e-12) / np.maximum(low, 1e-12)) / (2.0 * _SWING)
    usage_draws = np.exp(usage.fleet_sd * normals[:, None] * answer[None, :])
    gone = rate[:, None] * np.minimum(when.run[None, :], fleet.days_left[:, None])
    alive = 1.0 - np.concatenate([np.zeros((len(rate), 1)), np.cumsum(failure + scheduled, axis=1)[:, :-1]], axis=1)
    ratio = [
        ratio_to_point(h, _interval_nodes(h, fleet.age[:, None] + gone, alive))
        for h in (model.failure, model.scheduled)
    ]
    repair_rates = model.repair.draws[:, -1]
    mean_repair = max(float(repair_rates.mean()), 1e-300)
    failing, booking = ratio
    return Chances(
        failure, scheduled, again, repair, booked, failing, booking,
        np.where(repair_rates.max() > 0, repair_rates / mean_repair, 1.0), usage_draws / usage_draws.mean(axis=0),
    )  # fmt: skip


def _interval_nodes(hazard: Hazard, ages: Array, weight: Array) -> Array:
    """Per interval the weights on the hazard's grid of what is gathered in it: (G, K)."""
    return np.stack(
        [
            hazard.nodes(ages[:, k + 1], weight[:, k]) - hazard.nodes(ages[:, k], weight[:, k])
            for k in range(ages.shape[1] - 1)
        ],
        axis=1,
    )
