"""Runs a `FleetPlan` event by event: vehicles run, components fail in units, units come in, are opened and go back.

What fails `in_service` brings its unit in; what shows only `at_teardown` sits there, bad, until the unit is opened.
The engine knows when each life really ends; the tables it writes (see `fleet_tables`) hold only what a shop would see.
"""

from __future__ import annotations

import heapq
from typing import Any

import numpy as np

from data_demo.fleet_bench import Bench
from data_demo.fleet_specs import FleetPlan, life_chance, life_quantile
from data_demo.fleet_things import NEVER, Design, Row, Unit, Vehicle


class Engine:
    """The run. `rows[table]` collects what is written down; the bench has the sheets and the true lives."""

    def __init__(self, plan: FleetPlan, seed: int) -> None:
        self.plan = plan
        self.rng = np.random.default_rng(seed)
        tables = ("vehicles", "units", "fitments", "teardowns", "issued_parts", "odometers")
        self.rows: dict[str, list[Row]] = {table: [] for table in tables}
        self.bench = Bench(plan, self.rng, self.rows)
        self.designs = [Design(family) for family in plan.families]
        self.duty_factor = {duty: factor for duty, factor, _ in plan.duties}
        self.vehicles: list[Vehicle] = []
        self.yearly: list[float] = []  # distance a year of each vehicle, while it runs
        self.units: list[Unit] = []
        self.shelf: dict[str, list[Unit]] = {d.family.family: [] for d in self.designs}
        self.queue: list[tuple[int, int, str, Any, int]] = []
        self.serial = 0
        self.campaign_of = {family: (first, days) for family, first, days in plan.campaigns}

    # ---------------------------------------------------------------------------------------------------- the first day

    def run(self) -> Engine:
        """Everything from the first day to the last."""
        self.begin()
        self.go_on(self.plan.days)
        self._odometers()
        self._counter()
        return self

    def begin(self) -> None:
        """The first day: vehicles, units, and what stands in the calendar for them."""
        self._vehicles()
        self._units()

    def go_on(self, until: int) -> None:
        """All that happens before a day, in order; what comes later stays in the calendar."""
        while self.queue and self.queue[0][0] < until:
            day, _, what, thing, version = heapq.heappop(self.queue)
            if what == "comes_in" and thing.version == version:
                self._comes_in(thing, day)
            elif what == "fit":
                self._fit(*thing, day)
            elif what == "shelf":
                self.shelf[thing.design.family.family].append(thing)
            elif what == "retire":
                self._retire(thing, day)
            elif what == "campaign" and thing.vehicle is not None:
                self._comes_in(thing, day, campaign=True)

    def _push(self, day: int, what: str, thing: Any, version: int = 0) -> None:
        self.serial += 1
        heapq.heappush(self.queue, (int(day), self.serial, what, thing, version))

    def _vehicles(self) -> None:
        plan, rng = self.plan, self.rng
        fitted = [f.units - f.spares for f in plan.families]
        count = max(fitted) if plan.share_vehicles else sum(fitted)
        site_share = np.array([share for *_, share in plan.sites])
        duty_share = np.array([share for *_, share in plan.duties])
        months = plan.days // 30 + 2
        yearly = plan.yearly[0] * np.exp(plan.yearly[1] * rng.standard_normal(count))
        self.yearly = [float(y) for y in yearly]
        monthly = yearly[:, None] / 365.25 * rng.gamma(16, 1 / 16, (count, months))
        daily = np.repeat(monthly, 30, axis=1)[:, : plan.days]
        bad = {plant.name: plant.factor for plant in self.bench.plants.get("vehicle", [])}
        for i in range(count):
            name = f"{plan.vehicle_prefix}{i + 1:03d}"
            late = rng.random() < 0.25
            first = int(rng.integers(1, int(plan.days * 0.5))) if late else 0
            retires = int(rng.integers(int(plan.days * 0.5), plan.days)) if rng.random() < plan.retire else NEVER
            duty = plan.duties[rng.choice(len(plan.duties), p=duty_share / duty_share.sum())][0]
            site = plan.sites[rng.choice(len(plan.sites), p=site_share / site_share.sum())][0]
            odometer = np.concatenate(([0.0], np.cumsum(daily[i])))
            odometer = np.maximum(odometer - odometer[first], 0.0) + (
                0 if late else rng.uniform(0, 1) * 2.5 * yearly[i]
            )
            vehicle = Vehicle(name, site, duty, self.duty_factor[duty] * bad.get(name, 1.0), odometer, first, retires)
            last = min(retires, plan.days) - 30
            if rng.random() < plan.meter_changes and first + 60 < last:
                vehicle.meter_changed = int(rng.integers(first + 60, last))
            self.vehicles.append(vehicle)
            if retires < NEVER:
                self._push(retires, "retire", vehicle)

    def _units(self) -> None:
        next_vehicle = 0
        for design in self.designs:
            family = design.family
            if self.plan.share_vehicles:
                next_vehicle = 0
            width = max(3, len(str(family.units)))
            for i in range(family.units):
                spare = i >= family.units - family.spares
                vehicle = None if spare else self.vehicles[next_vehicle]
                next_vehicle += 0 if spare else 1
                unit = self._new_unit(f"{family.family}-{i + 1:0{width}d}", design, vehicle)
                self.units.append(unit)
                if vehicle is None:
                    self.shelf[family.family].append(unit)
                else:
                    self._push(vehicle.in_service, "fit", (unit, vehicle))
                if family.family in self.campaign_of:
                    first, days = self.campaign_of[family.family]
                    if self.rng.random() < 0.6:
                        self._push(first + int(self.rng.integers(0, days)), "campaign", unit)

    def _new_unit(self, name: str, design: Design, vehicle: Vehicle | None) -> Unit:
        rng, family = self.rng, design.family
        factor = vehicle.factor if vehicle is not None else 1.0
        first_day = vehicle.in_service if vehicle is not None else 0
        draw = rng.random()
        late = first_day > 0
        origin = "new" if late or draw < family.new else "rebuilt" if draw < family.new + family.rebuilt else "used"
        typical = float(np.median(design.scale))
        run = vehicle.odometer[first_day] if vehicle is not None and not late else 0.0
        mileage = 0.0 if origin == "new" else float(run) if run > 1000 else float(rng.uniform(0.1, 0.7) * typical)
        strength = float(np.exp(self.plan.frailty * rng.standard_normal()))
        grade = np.array([self.bench.pick(c) for c in design.component])
        # ages when first seen: 0 if new, the mileage if used; in a rebuilt one `always` is fresh, the rest anything
        age = np.full(design.size, mileage)
        if origin == "rebuilt":
            age = np.where(design.always, 0.0, rng.uniform(0, 0.6, design.size) * typical)
        factors = factor**design.duty_power / strength
        stretch = np.array([c.uses[g].factor if c.uses else 1.0 for c, g in zip(design.component, grade, strict=True)])
        had = age * factors / stretch
        u = rng.random(design.size)
        gone = life_chance(design.distribution, design.scale, design.shape, had)
        # one that shows in service is alive when first seen; another may already be bad
        u = np.where(design.in_service | (origin == "rebuilt"), gone + (1 - gone) * u, u)
        total = life_quantile(design.distribution, design.scale, design.shape, u) * stretch
        since = 0.0 if origin in ("new", "rebuilt") else mileage
        scheduled = np.inf
        if family.scheduled_at is not None:
            scheduled = family.scheduled_at * float(np.exp(family.scheduled_sd * rng.standard_normal()))
        if since > scheduled:
            scheduled = since + float(rng.uniform(0, 0.5) * scheduled)
        return Unit(
            name,
            design,
            origin,
            first_day,
            mileage,
            mileage,
            since,
            total - had * stretch,
            total,
            grade,
            strength,
            scheduled,
        )

    # --------------------------------------------------------------------------------------------------- in the vehicle

    def _fit(self, unit: Unit, vehicle: Vehicle, day: int) -> None:
        if day >= vehicle.retires:
            self.shelf[unit.design.family.family].append(unit)
            return
        given = self.rng.random() < self.plan.odometer_given
        unit.vehicle, unit.mark = vehicle, float(vehicle.odometer[day])
        vehicle.slots[unit.design.family.family] = unit
        unit.fitment = {
            "unit": unit.name,
            "vehicle": vehicle.name,
            "fitted_on": day,
            "fitted_odometer": round(vehicle.written(day)) if given else None,
            "removed_on": None,
            "removed_odometer": None,
        }
        self.rows["fitments"].append(unit.fitment)
        self._aim(unit, day)

    def _aim(self, unit: Unit, day: int) -> None:
        """When this unit will come in, as things stand: its next failure in service or its booked rebuild."""
        assert unit.vehicle is not None
        design = unit.design
        runs = np.where(design.in_service, np.maximum(unit.left, 0.0) / unit.acceleration(), np.inf)
        unit.why = int(np.argmin(runs))
        distance = float(runs[unit.why])
        booked = max(unit.scheduled - unit.since_rebuild, 0.0)
        if booked < distance:
            distance, unit.why = booked, -1
        unit.target = unit.mark + distance
        self._aim_again(unit, day)

    def _aim_again(self, unit: Unit, day: int) -> None:
        assert unit.vehicle is not None
        unit.version += 1
        due = int(np.searchsorted(unit.vehicle.odometer, unit.target))
        due = max(due, day + 1)
        if due < min(self.plan.days, unit.vehicle.retires):
            self._push(due, "comes_in", unit, unit.version)

    def _wear(self, unit: Unit, day: int) -> None:
        assert unit.vehicle is not None
        run = float(unit.vehicle.odometer[day]) - unit.mark
        unit.left -= run * unit.acceleration()
        unit.mileage += run
        unit.since_rebuild += run
        unit.mark = float(unit.vehicle.odometer[day])

    def _remove(self, unit: Unit, day: int) -> None:
        assert unit.vehicle is not None
        assert unit.fitment is not None
        unit.fitment["removed_on"] = day
        if self.rng.random() < self.plan.odometer_given:
            unit.fitment["removed_odometer"] = round(unit.vehicle.written(day))
        del unit.vehicle.slots[unit.design.family.family]
        unit.vehicle, unit.version = None, unit.version + 1

    def _retire(self, vehicle: Vehicle, day: int) -> None:
        for unit in list(vehicle.slots.values()):
            self._wear(unit, day)
            self._remove(unit, day)
            self.shelf[unit.design.family.family].append(unit)
        vehicle.pause(day, self.plan.days)

    def _stand(self, vehicle: Vehicle, first: int, until: int) -> None:
        vehicle.pause(first, until)
        for other in vehicle.slots.values():
            self._aim_again(other, first)

    # --------------------------------------------------------------------------------------------------- on the bench

    def _comes_in(self, unit: Unit, day: int, campaign: bool = False) -> None:
        assert unit.vehicle is not None
        rng, vehicle, family = self.rng, unit.vehicle, unit.design.family
        self._wear(unit, day)
        if campaign and unit.since_rebuild < 5000:
            return
        why = -1 if campaign else unit.why
        cause = unit.design.component[why] if why >= 0 else None
        repair = cause is not None and rng.random() < cause.repair
        bench, bench_site = self.bench.where(vehicle.site)
        speed = vehicle.factor
        opened = day + (0 if repair else int(rng.integers(0, 4)))
        closed = opened + int(rng.integers(0, 3) if repair else rng.integers(3, 14))
        job = self.bench.begin(unit, vehicle, opened, closed, cause, repair, campaign, bench, bench_site)
        if not repair:
            self._remove(unit, day)
            spares = self.shelf[family.family]
            if spares:
                self._stand(vehicle, day, day + 1)
                self._push(day + 1, "fit", (spares.pop(0), vehicle))
                self._push(job["closed_on"], "shelf", unit)
            else:
                self._stand(vehicle, day, job["closed_on"])
                self._push(job["closed_on"], "fit", (unit, vehicle))
        self.bench.open(unit, job, why, repair, speed)
        if repair:
            self._stand(vehicle, day, job["closed_on"])
            self._aim(unit, day)

    # ------------------------------------------------------------------------------------------------------- afterwards

    def _odometers(self) -> None:
        rng, last = self.rng, self.plan.days - 1
        for vehicle in self.vehicles:
            end = min(vehicle.retires, last)
            days = list(range(vehicle.in_service, end, 30))
            days = [min(d + int(j), end) for d, j in zip(days, rng.integers(0, 6, len(days)), strict=True)]
            days = [d for d in days if rng.random() > 0.1]
            days = sorted({*days, vehicle.in_service, end})
            change = vehicle.meter_changed
            if change < NEVER:
                before = {
                    "vehicle": vehicle.name,
                    "read_on": change,
                    "odometer": round(float(vehicle.odometer[change])),
                    "meter": 1,
                }
                self.rows["odometers"].append(before)
                days = sorted({*days, change})
            for day in days:
                meter = 2 if day >= change else 1
                row = {"vehicle": vehicle.name, "read_on": day, "odometer": round(vehicle.written(day)), "meter": meter}
                self.rows["odometers"].append(row)
            self.rows["vehicles"].append(
                {
                    "vehicle": vehicle.name,
                    "site": vehicle.site,
                    "duty": vehicle.duty,
                    "in_service_on": vehicle.in_service,
                    "out_of_service_on": vehicle.retires if vehicle.retires < NEVER else None,
                }
            )
        for unit in self.units:
            given = unit.origin == "new" or rng.random() < self.plan.first_mileage_given
            self.rows["units"].append(
                {
                    "unit": unit.name,
                    "family": unit.design.family.family,
                    "origin": unit.origin,
                    "first_seen_on": unit.first_seen,
                    "first_seen_mileage": round(unit.first_mileage) if given else None,
                }
            )

    def _counter(self) -> None:
        shops = [site for site, by, _ in self.plan.sites if by is None]
        for part, monthly in self.plan.counter:
            for _ in range(self.rng.poisson(monthly * self.plan.days / 30.4)):
                day = int(self.rng.integers(0, self.plan.days))
                quantity = float(self.rng.integers(1, 4))
                self.bench.issue(day, self.bench.number(part, day), quantity, None, None, 0)
                self.rows["issued_parts"][-1]["site"] = shops[int(self.rng.integers(len(shops)))]
