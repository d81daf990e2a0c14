"""What an oracle would forecast: the random fleet's own engine, run on from the as-of day many times.

The oracle knows what the fleet is made of (true lives, habits, mileage rates) and what stands in every unit today, with
its true age; it does not know what is still to be drawn, neither of units that run nor of those on the shelf. A
position that shows in service has lasted until today; one that shows at a teardown lasted until its last one. What is
booked comes as it did come.
"""

from __future__ import annotations

import copy
import datetime as dt
import heapq
from typing import Any

import numpy as np
import pandas as pd

from data_demo.fleet_engine import Engine
from data_demo.fleet_specs import life_chance, life_quantile
from data_demo.fleet_tables import Fleet
from data_demo.fleet_things import NEVER, Unit
from rebuildstats.demand.sums import Array

ANNOUNCED = 180  # days ahead that a shop knows of a retirement (`Fleet.tables`)


def true_futures(
    fleet: Fleet, as_of: dt.date, parts: list[str], months: pd.PeriodIndex, *, runs: int = 200, seed: int = 0
) -> Array:
    """Pieces of each part in each month, in `runs` futures that could have followed: (runs, parts, months)."""
    cut = fleet.day(as_of)
    engine = _until(fleet, cut)
    booked = set(fleet.tables(as_of)["planned"]["unit"].dropna())
    shared: list[Any] = [engine.plan, engine.designs, *engine.designs]
    out = np.zeros((runs, len(parts), len(months)))
    for run in range(runs):
        future = copy.deepcopy(engine, {id(thing): thing for thing in shared})
        rng = np.random.default_rng([seed, run])
        future.rng = future.bench.rng = rng
        _draw_anew(future, cut, booked)
        future.go_on(future.plan.days)
        out[run] = _pieces(fleet, future, cut, parts, months)
    return out


def _until(fleet: Fleet, cut: int) -> Engine:
    """The fleet's engine as it stood at the end of a day, with only what has still to be issued written down."""
    engine = Engine(fleet.plan, fleet.seed)
    engine.begin()
    engine.go_on(cut + 1)
    later = [row for row in engine.rows["issued_parts"] if row["issued_on"] > cut]
    for rows in engine.rows.values():
        rows.clear()
    engine.rows["issued_parts"].extend(later)
    engine.bench.sheets.clear()
    engine.bench.lives.clear()
    return engine


def _draw_anew(engine: Engine, cut: int, booked: set[str]) -> None:
    _retirements(engine, cut)
    kept = {unit.vehicle.name for unit in engine.units if unit.name in booked and unit.vehicle is not None}
    block = np.arange(engine.plan.days) // 30
    for vehicle, yearly in zip(engine.vehicles, engine.yearly, strict=True):
        if vehicle.name in kept or cut + 1 >= engine.plan.days:
            continue
        steps = np.diff(vehicle.odometer)
        drawn = yearly / 365.25 * engine.rng.gamma(16, 1 / 16, block[-1] + 1)[block]
        running = (steps > 0) & (np.arange(len(steps)) > cut)
        steps[running] = drawn[: len(steps)][running]
        vehicle.odometer = np.concatenate([vehicle.odometer[:1], vehicle.odometer[0] + np.cumsum(steps)])
    factors = {vehicle.name: vehicle.factor for vehicle in engine.vehicles}
    for unit in engine.units:
        if unit.name in booked:
            continue
        if unit.vehicle is not None:
            engine._wear(unit, cut)
            _lives(engine, unit, unit.vehicle.factor)
            engine._aim(unit, cut)
        else:
            last = unit.fitment["vehicle"] if unit.fitment is not None else None
            _lives(engine, unit, factors.get(last, 1.0))


def _lives(engine: Engine, unit: Unit, factor: float) -> None:
    """Lives that could be this unit's, by what is known of it; factor: of the vehicle that it runs or last ran in."""
    design = unit.design
    stretch = np.array([c.uses[g].factor if c.uses else 1.0 for c, g in zip(design.component, unit.grade, strict=True)])
    had = unit.total - unit.left
    opened = np.maximum(had - unit.since_rebuild * factor**design.duty_power / unit.strength, 0.0)
    known = np.where(design.in_service, had, np.minimum(opened, had))
    already = ~design.in_service & (opened > unit.total)  # was left in, bad
    gone = life_chance(design.distribution, design.scale, design.shape, known / stretch)
    u = gone + (1.0 - gone) * engine.rng.random(design.size)
    total = np.maximum(life_quantile(design.distribution, design.scale, design.shape, u) * stretch, known)
    total = np.where(already, unit.total, total)
    unit.left, unit.total = total - had, total
    if design.family.scheduled_at is not None and unit.since_rebuild < unit.scheduled:
        for _ in range(200):
            spread = float(np.exp(design.family.scheduled_sd * engine.rng.standard_normal()))
            if design.family.scheduled_at * spread > unit.since_rebuild:
                unit.scheduled = design.family.scheduled_at * spread
                break


def _retirements(engine: Engine, cut: int) -> None:
    """What is announced comes; of the others as many are retired later as the plan says, on other days."""
    plan = engine.plan
    engine.queue = [e for e in engine.queue if not (e[2] == "retire" and e[0] > cut + ANNOUNCED)]
    heapq.heapify(engine.queue)
    begin = max(cut + ANNOUNCED + 1, int(plan.days * 0.5))
    later = plan.retire * max(0, plan.days - begin) / (plan.days - int(plan.days * 0.5))
    chance = later / (1.0 - plan.retire + later)
    for vehicle in engine.vehicles:
        if vehicle.retires <= cut + ANNOUNCED:
            continue
        vehicle.retires = NEVER
        if begin < plan.days and engine.rng.random() < chance:
            vehicle.retires = int(engine.rng.integers(begin, plan.days))
            engine._push(vehicle.retires, "retire", vehicle)


def _pieces(fleet: Fleet, engine: Engine, cut: int, parts: list[str], months: pd.PeriodIndex) -> Array:
    place = {part: i for i, part in enumerate(parts)}
    edges = [fleet.day(m.start_time.date()) for m in months] + [fleet.day(months[-1].end_time.date()) + 1]
    out = np.zeros((len(parts), len(months)))
    for row in engine.rows["issued_parts"]:
        at = int(np.searchsorted(edges, row["issued_on"], side="right")) - 1
        part = fleet.last_number(str(row["part"]))
        if 0 <= at < len(months) and part in place:
            out[place[part], at] += -row["quantity"] if row["kind"] == "credit" else row["quantity"]
    for part, monthly in engine.plan.counter:
        last = fleet.last_number(part)
        if last in place:
            for k in range(len(months)):
                sales = engine.rng.poisson(monthly * (edges[k + 1] - edges[k]) / 30.4)
                out[place[last], k] += float(engine.rng.integers(1, 4, sales).sum())
    return out
