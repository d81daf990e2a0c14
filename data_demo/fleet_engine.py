"""Runs a `FleetPlan` event by event: vehicles run, components fail in units, units come in, are opened and go back.

What fails `in_service` brings its unit in; what shows only `at_teardown` sits there, bad, until the unit is opened.
The engine knows when each life really ends; the tables it writes (see `fleet_tables`) hold only what a shop would see.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_demo.fleet_specs import (
    DISTRIBUTIONS,
    Component,
    Family,
    FleetPlan,
    Floats,
    Plant,
    Point,
    life_chance,
    life_quantile,
)

Row = dict[str, Any]
Flags = NDArray[np.bool_]
NEVER = 10**9


class Design:
    """One family as arrays over its positions and over the lines of its sheet (a line: one point at one position)."""

    def __init__(self, family: Family) -> None:
        self.family = family
        self.components = family.components
        places = [(c, k) for c in family.components for k in range(1, c.positions + 1)]
        self.component: list[Component] = [c for c, _ in places]
        self.position = np.array([k for _, k in places])
        self.size = len(places)
        self.distribution = np.array([DISTRIBUTIONS.index(c.distribution) for c in self.component])
        self.scale = np.array([c.scale for c in self.component])
        self.shape = np.array([c.shape for c in self.component])
        self.in_service = np.array([c.in_service for c in self.component])
        self.always = np.array([c.always for c in self.component])
        self.duty_power = np.array([c.duty_power for c in self.component])
        self.habit = np.array([c.habit for c in self.component])
        self.dress = np.array([c.dress for c in self.component])
        self.machine = np.array([c.machine for c in self.component])
        self.recorded = np.array([c.recorded for c in self.component])
        self.by_name: dict[str, list[int]] = {}
        for i, c in enumerate(self.component):
            self.by_name.setdefault(c.component, []).append(i)
        self.together, self.below = self._assemblies()
        lines: list[tuple[int, Point | None]] = []
        for i, c in enumerate(self.component):
            lines.extend((i, point) for point in c.points or (None,))
        self.line_place = np.array([i for i, _ in lines])
        self.line_point = [point for _, point in lines]
        first = np.r_[True, self.line_place[1:] != self.line_place[:-1]]
        self.line_order = np.arange(len(lines)) - np.flatnonzero(first)[self.line_place]
        self.line_count = np.bincount(self.line_place, minlength=self.size)
        self.lines_of = [np.flatnonzero(self.line_place == i) for i in range(self.size)]

    def _assemblies(self) -> tuple[Flags, Flags]:
        """Who is renewed with whom: through a replacement (up, then down), through an `always` renewal (down only)."""
        below = np.eye(self.size, dtype=bool)
        for i, c in enumerate(self.component):
            if c.supplied_in is None:
                continue
            parents = self.by_name[c.supplied_in]
            same = len(parents) == c.positions
            for j in parents:
                if not same or self.position[j] == self.position[i]:
                    below[j, i] = True
        for _ in range(4):
            below = (below.astype(int) @ below.astype(int)) > 0
        together = (below.T.astype(int) @ below.astype(int)) > 0
        return together, below


@dataclass(slots=True)
class Vehicle:
    """A vehicle; `odometer[day]` is the distance of its joined odometers at the start of the day."""

    name: str
    site: str
    duty: str
    factor: float
    odometer: Floats
    in_service: int
    retires: int
    meter_changed: int = NEVER
    slots: dict[str, Unit] = field(default_factory=dict)

    def pause(self, first: int, until: int) -> None:
        """The vehicle stands still: nothing is added from one day until another."""
        last = len(self.odometer) - 1
        first, until = min(first, last), min(until, last)
        if until > first:
            self.odometer[until:] -= self.odometer[until] - self.odometer[first]
            self.odometer[first:until] = self.odometer[first]

    def written(self, day: int) -> float:
        """What the instrument of that day shows."""
        value = float(self.odometer[day])
        return value - float(self.odometer[self.meter_changed]) if day >= self.meter_changed else value


@dataclass(slots=True)
class Unit:
    """One unit with what is left of every position's life, in distance of the mildest duty."""

    name: str
    design: Design
    origin: str
    first_seen: int
    first_mileage: float
    mileage: float
    since_rebuild: float
    left: Floats
    total: Floats
    grade: NDArray[np.int64]
    strength: float
    scheduled: float
    vehicle: Vehicle | None = None
    mark: float = 0.0  # the vehicle's odometer up to which this unit's wear is reckoned
    target: float = np.inf
    why: int = -1  # position that fails at the target; -1: booked in
    version: int = 0
    fitment: Row | None = None
    last_cause: tuple[str, float, int] | None = None

    def acceleration(self) -> Floats:
        factor = self.vehicle.factor if self.vehicle is not None else 1.0
        speed: Floats = factor**self.design.duty_power / self.strength
        return speed


@dataclass
class Engine:
    """The run. `rows[table]` collects what is written down, `lives` what is true."""

    plan: FleetPlan
    seed: int
    rows: dict[str, list[Row]] = field(default_factory=dict)
    sheets: list[dict[str, Any]] = field(default_factory=list)
    lives: list[tuple[Any, ...]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        for table in ("vehicles", "units", "fitments", "teardowns", "issued_parts", "odometers"):
            self.rows[table] = []
        self.designs = [Design(family) for family in self.plan.families]
        self.duty_factor = {duty: factor for duty, factor, _ in self.plan.duties}
        self.vehicles: list[Vehicle] = []
        self.units: list[Unit] = []
        self.shelf: dict[str, list[Unit]] = {d.family.family: [] for d in self.designs}
        self.queue: list[tuple[int, int, str, Any, int]] = []
        self.serial = 0
        self.jobs = 0
        self.successor = {str(p["part"]): p.get("replaced_by") for p in self.plan.parts}
        self.superseded = dict(self.plan.superseded)
        self.plants: dict[str, list[Plant]] = {}
        for plant in self.plan.plants:
            self.plants.setdefault(plant.kind, []).append(plant)
        self.campaign_of = {family: (first, days) for family, first, days in self.plan.campaigns}

    # ---------------------------------------------------------------------------------------------------- the first day

    def run(self) -> Engine:
        """Everything from the first day to the last."""
        self._vehicles()
        self._units()
        while self.queue:
            day, _, what, thing, version = heapq.heappop(self.queue)
            if day >= self.plan.days:
                break
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
        self._odometers()
        self._counter()
        return self

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
        monthly = yearly[:, None] / 365.25 * rng.gamma(16, 1 / 16, (count, months))
        daily = np.repeat(monthly, 30, axis=1)[:, : plan.days]
        bad = {plant.name: plant.factor for plant in self.plants.get("vehicle", [])}
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
        grade = np.array([self._pick(c) for c in design.component])
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
        if campaign and unit.since_rebuild < 5000:
            return
        self._wear(unit, day)
        why = -1 if campaign else unit.why
        cause = unit.design.component[why] if why >= 0 else None
        repair = cause is not None and rng.random() < cause.repair
        bench, bench_site = self._bench(vehicle.site)
        speed = vehicle.factor
        opened = day + (0 if repair else int(rng.integers(0, 4)))
        closed = opened + int(rng.integers(0, 3) if repair else rng.integers(3, 14))
        job = self._teardown_row(unit, vehicle, opened, closed, cause, repair, campaign, bench, bench_site)
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
        self._open(unit, job, why, repair, speed)
        if repair:
            self._stand(vehicle, day, job["closed_on"])
            self._aim(unit, day)

    def _bench(self, site: str) -> tuple[str, str]:
        served = {s: by for s, by, _ in self.plan.sites}
        own = [b for b in self.plan.benches if b[1] == site]
        choice = own or [b for b in self.plan.benches if b[1] == served.get(site)] or list(self.plan.benches)
        return choice[int(self.rng.integers(len(choice)))]

    def _teardown_row(
        self,
        unit: Unit,
        vehicle: Vehicle,
        opened: int,
        closed: int,
        cause: Component | None,
        repair: bool,
        campaign: bool,
        bench: str,
        site: str,
    ) -> Row:
        rng, plan = self.rng, self.plan
        self.jobs += 1
        reason: str | None = "campaign" if campaign else "failure" if cause is not None else "scheduled"
        if cause is not None:
            last = unit.last_cause
            near = last is not None and unit.mileage - last[1] <= 12_000 and opened - last[2] <= 365
            if near and last is not None and last[0] == cause.component:
                reason = "comeback"
            unit.last_cause = (cause.component, unit.mileage, opened)
        if reason in ("failure", "scheduled") and rng.random() < 0.3:
            reason = None  # it follows from the findings
        waits = not repair and rng.random() < 0.12
        wait = int(rng.integers(3, 30)) if waits else 0
        labour = unit.design.family.labour * (0.25 if repair else 1.0) * float(rng.gamma(30, 1 / 30))
        job = {
            "job": f"J{self.jobs:05d}",
            "unit": unit.name,
            "opened_on": opened,
            "unit_mileage": float(int(unit.mileage)) if rng.random() < plan.mileage_given else None,
            "vehicle": vehicle.name if rng.random() < 0.9 else None,
            "odometer": round(vehicle.written(min(opened, plan.days - 1)))
            if rng.random() < plan.odometer_given
            else None,
            "reason": reason,
            "scope": "repair" if repair else "rebuild",
            "complaint": self._weighted(cause.complaints) if cause is not None else None,
            "site": site,
            "bench": bench,
            "closed_on": closed + wait,
            "waiting_from": opened + 1 if waits else None,
            "waiting_until": opened + 1 + wait if waits else None,
            "waiting_for": None,
            "labour_hours": round(labour, 1),
            "outside_cost": round(float(rng.gamma(2, 90)), 2) if rng.random() < 0.15 else None,
        }
        job["_waits"], job["_mileage"] = waits, unit.mileage
        self.rows["teardowns"].append(job)
        return job

    def _weighted(self, words: tuple[tuple[str, float], ...]) -> str | None:
        if not words:
            return None
        weights = np.array([w for _, w in words])
        return words[int(self.rng.choice(len(words), p=weights / weights.sum()))][0]

    def _open(self, unit: Unit, job: Row, why: int, repair: bool, speed: float) -> None:
        """The unit is open: what is found, what is written down, what is renewed, what it takes from the shelf."""
        rng, plan, design = self.rng, self.plan, unit.design
        size = design.size
        bad = unit.left <= 0
        cause = np.zeros(size, dtype=bool)
        harmed = np.zeros(size, dtype=bool)
        if why >= 0:
            bad[why] = cause[why] = True
            for name, chance in design.component[why].ruins:
                for i in design.by_name[name]:
                    harmed[i] |= rng.random() < chance and not bad[i]
        draw = rng.random((6, size))
        looked = np.ones(size, dtype=bool)
        if repair:
            looked = cause | harmed | (design.together[why] & (draw[0] < 0.5)) | (draw[0] < 0.04)
        else:
            # what isn't looked at is left so by chance, good or bad: else the sheets alone could not give the truth
            looked = cause | harmed | (draw[0] < design.recorded)
        sure = cause | harmed | (bad & design.in_service)
        not_checked = looked & ~sure & (draw[1] < 0.02)
        seen_bad = (
            looked & ~not_checked & (sure | (bad & (draw[2] >= plan.missed)) | (~bad & (draw[2] < plan.false_fail)))
        )
        left = seen_bad & ~sure & (draw[3] < plan.left)
        replaced = seen_bad & ~left
        good = looked & ~not_checked & ~seen_bad
        if not repair:
            left_out = self._left_out(design, job)
            written = design.always & (draw[4] < 0.9) & ~left_out
            replaced |= (good & ~design.always & (draw[5] < design.habit)) | written
            looked = looked & ~(design.always & ~written & ~seen_bad)
        else:
            left_out = np.zeros(size, dtype=bool)
        other = good & ~replaced
        dressed = other & (draw[5] > 1 - design.dress)
        machined = other & ~dressed & (draw[4] > 1 - design.machine)
        renewed = (replaced.astype(int) @ design.together.astype(int)) > 0
        if not repair:
            renewed |= ((design.always & ~left_out).astype(int) @ design.below.astype(int)) > 0
        used = self._parts(unit, job, np.flatnonzero(renewed))
        share = 1 - unit.left / unit.total
        self._sheet(
            design, job, looked, not_checked, seen_bad, bad, cause, harmed, replaced, dressed, machined, share, used
        )
        self._renew(unit, job, renewed, speed)
        if not repair:
            unit.since_rebuild = 0.0
            if design.family.scheduled_at is not None:
                spread = float(np.exp(design.family.scheduled_sd * rng.standard_normal()))
                unit.scheduled = design.family.scheduled_at * spread

    def _left_out(self, design: Design, job: Row) -> Flags:
        out = np.zeros(design.size, dtype=bool)
        for plant in self.plants.get("left_out", []):
            here = plant.family == design.family.family and plant.name == job["bench"]
            if here and plant.since <= job["opened_on"] < plant.until and self.rng.random() < plant.share:
                out[design.by_name[str(plant.component)]] = True
        return out

    def _pick(self, component: Component) -> int:
        if len(component.uses) < 2 or component.uses[0].choice is None:
            return 0
        shares = np.array([use.share or 0.0 for use in component.uses])
        return int(self.rng.choice(len(shares), p=shares / shares.sum()))

    def _number(self, part: str, day: int) -> str:
        """The number under which a part is issued on a day."""
        while part in self.superseded and day >= self.superseded[part]:
            part = str(self.successor[part])
        return part

    def _parts(self, unit: Unit, job: Row, places: NDArray[np.int64]) -> dict[int, tuple[str, float]]:
        """Pieces taken from the shelf for the renewed positions; what is supplied in an assembly takes none itself."""
        rng, day = self.rng, int(job["opened_on"])
        pieces: dict[str, float] = {}
        used: dict[int, tuple[str, float]] = {}
        for i in places:
            component = unit.design.component[i]
            if component.supplied_in is not None or not component.uses:
                continue
            if component.uses[0].choice is None:
                uses = list(component.uses)
            else:
                if not component.keeps_grade:
                    unit.grade[i] = self._pick(component)
                uses = [component.uses[unit.grade[i]]]
            for use in uses:
                part = self._number(use.part, day)
                pieces[part] = pieces.get(part, 0.0) + use.quantity
                used.setdefault(int(i), (part, use.quantity))
        issued = min(day + int(rng.integers(0, 5)), int(job["closed_on"]))
        for part, quantity in pieces.items():
            more = 1.0 if rng.random() < 0.02 else 0.0
            self._issue(issued, part, quantity + more, "issue" if rng.random() < 0.8 else None, job, 1)
            if more:
                self._issue(int(job["closed_on"]), part, more, "credit", job, 2)
        if job["_waits"] and pieces:
            job["waiting_for"] = sorted(pieces)[int(rng.integers(len(pieces)))]
        return used

    def _issue(self, day: int, part: str, quantity: float, kind: str | None, job: Row | None, slip: int) -> None:
        row = {
            "issued_on": day,
            "part": part,
            "quantity": quantity,
            "kind": kind,
            "job": None,
            "site": None,
            "slip": None,
        }
        if job is not None:
            row.update(job=job["job"], site=job["site"], slip=f"{job['job']}-{slip}")
        self.rows["issued_parts"].append(row)

    def _sheet(
        self,
        design: Design,
        job: Row,
        looked: Flags,
        not_checked: Flags,
        seen_bad: Flags,
        bad: Flags,
        cause: Flags,
        harmed: Flags,
        replaced: Flags,
        dressed: Flags,
        machined: Flags,
        share: Floats,
        used: dict[int, tuple[str, float]],
    ) -> None:
        """The lines written for this job, as arrays; `fleet_tables` turns them into words."""
        rng, place = self.rng, design.line_place
        keep = looked | replaced | not_checked
        # which of a position's points shows it: one always, the others now and then
        shows = (rng.random(design.size) * design.line_count).astype(int)[place] == design.line_order
        main = np.where(seen_bad[place], shows, design.line_order == 0)
        fails = seen_bad[place] & (shows | (rng.random(len(place)) < 0.25))
        lines = np.flatnonzero(keep[place] & (main | (rng.random(len(place)) < 0.9)))
        at = place[lines]
        verdict = np.where(fails[lines], 2, np.where(not_checked[at], 0, 1))
        silent = ~seen_bad[at] & replaced[at] & design.in_service[at] & (rng.random(len(lines)) < 0.4)
        verdict = np.where(silent, -1, verdict)
        act = np.select([replaced[at], machined[at], dressed[at], ~seen_bad[at] & (verdict == 1)], [3, 2, 1, 0], -1)
        act = np.where(main[lines], act, np.where(act >= 1, -1, act))
        role = np.where(verdict == 2, np.select([cause[at], harmed[at]], [2, 1], 0), -1)
        role = np.where((role == 0) & (rng.random(len(lines)) < 0.4), -1, role)
        self.sheets.append(
            {
                "job": job["job"],
                "design": design,
                "lines": lines,
                "verdict": verdict,
                "action": act,
                "role": role,
                "share": np.where(harmed[at], 1.1, share[at]),
                "bad": (bad | harmed)[at],
                "used": used,
                "noise": rng.standard_normal(len(lines)),
                "word": rng.random(len(lines)),
            }
        )

    def _renew(self, unit: Unit, job: Row, renewed: Flags, speed: float) -> None:
        places = np.flatnonzero(renewed)
        if len(places) == 0:
            return
        rng, design, day = self.rng, unit.design, int(job["opened_on"])
        total = life_quantile(
            design.distribution[places], design.scale[places], design.shape[places], rng.random(len(places))
        )
        planted = [""] * len(places)
        for n, i in enumerate(places):
            component = design.component[i]
            if component.uses:
                use = component.uses[unit.grade[i]]
                total[n] *= use.factor
            for plant in self.plan.plants:
                if plant.kind in ("vehicle", "left_out") or not plant.since <= day < plant.until:
                    continue
                if plant.family not in (None, design.family.family) or plant.component not in (
                    None,
                    component.component,
                ):
                    continue
                hit = plant.kind == "fitting" or (plant.kind == "bench" and plant.name == job["bench"])
                hit |= (
                    plant.kind == "make" and bool(component.uses) and component.uses[unit.grade[i]].part == plant.name
                )
                if hit and rng.random() < plant.share:
                    total[n] /= plant.factor
                    planted[n] = plant.kind
        unit.total[places] = unit.left[places] = total
        factor = speed ** design.duty_power[places] / unit.strength
        for n, i in enumerate(places):
            self.lives.append(
                (design.family.family, design.component[i].component, job["job"], total[n] / factor[n], planted[n])
            )

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
                self._issue(day, self._number(part, day), quantity, None, None, 0)
                self.rows["issued_parts"][-1]["site"] = shops[int(self.rng.integers(len(shops)))]
