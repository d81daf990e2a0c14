"""The bench: a unit is opened, found bad or good, written up, renewed, and takes parts from the shelf."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_demo.fleet_specs import Component, FleetPlan, Floats, Plant, life_quantile
from data_demo.fleet_things import Design, Flags, Row, Unit, Vehicle


class Bench:
    """All benches of a fleet. `rows[table]` and `sheets` collect what is written down, `lives` what is true."""

    def __init__(self, plan: FleetPlan, rng: np.random.Generator, rows: dict[str, list[Row]]) -> None:
        self.plan = plan
        self.rng = rng
        self.rows = rows
        self.sheets: list[dict[str, Any]] = []
        self.lives: list[tuple[Any, ...]] = []
        self.jobs = 0
        self.successor = {str(p["part"]): p.get("replaced_by") for p in plan.parts}
        self.superseded = dict(plan.superseded)
        self.plants: dict[str, list[Plant]] = {}
        for plant in plan.plants:
            self.plants.setdefault(plant.kind, []).append(plant)

    def where(self, site: str) -> tuple[str, str]:
        served = {s: by for s, by, _ in self.plan.sites}
        own = [b for b in self.plan.benches if b[1] == site]
        choice = own or [b for b in self.plan.benches if b[1] == served.get(site)] or list(self.plan.benches)
        return choice[int(self.rng.integers(len(choice)))]

    def begin(
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
            "site": vehicle.site if repair else site,  # a repair is done where the vehicle stands
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

    def open(self, unit: Unit, job: Row, why: int, repair: bool, speed: float) -> None:
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
            left_out = self._left_out(unit, job)
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
        machined &= ~renewed
        used = self._parts(unit, job, np.flatnonzero(renewed), np.flatnonzero(machined))
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

    def _left_out(self, unit: Unit, job: Row) -> Flags:
        design = unit.design
        out = np.zeros(design.size, dtype=bool)
        for plant in self.plants.get("left_out", []):
            here = plant.family == design.family.family and plant.name == job["bench"]
            if here and plant.since <= job["opened_on"] < plant.until and self.rng.random() < plant.share:
                places = design.by_name[str(plant.component)]
                out[places] = True
                unit.left[places] /= plant.factor  # it was worked on all the same
        return out

    def pick(self, component: Component) -> int:
        if len(component.uses) < 2 or component.uses[0].choice is None:
            return 0
        shares = np.array([use.share or 0.0 for use in component.uses])
        return int(self.rng.choice(len(shares), p=shares / shares.sum()))

    def number(self, part: str, day: int) -> str:
        """The number under which a part is issued on a day."""
        while part in self.superseded and day >= self.superseded[part]:
            part = str(self.successor[part])
        return part

    def _parts(
        self, unit: Unit, job: Row, places: NDArray[np.int64], machined: NDArray[np.int64]
    ) -> dict[int, tuple[str, float]]:
        """Pieces taken for renewed and machined positions; what is supplied in an assembly takes none itself."""
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
                    unit.grade[i] = self.pick(component)
                uses = [component.uses[unit.grade[i]]]
            for use in uses:
                part = self.number(use.part, day)
                pieces[part] = pieces.get(part, 0.0) + use.quantity
                used.setdefault(int(i), (part, use.quantity))
        for i in machined:
            machine_use = unit.design.component[i].machine_use
            if machine_use is not None:
                part, quantity = machine_use
                pieces[part] = pieces.get(part, 0.0) + quantity
                used[int(i)] = machine_use
        issued = min(day + int(rng.integers(0, 5)), int(job["closed_on"]))
        for part, quantity in pieces.items():
            more = 1.0 if rng.random() < 0.02 else 0.0
            self.issue(issued, part, quantity + more, "issue" if rng.random() < 0.8 else None, job, 1)
            if more:
                self.issue(int(job["closed_on"]), part, more, "credit", job, 2)
        if job["_waits"] and pieces:
            job["waiting_for"] = sorted(pieces)[int(rng.integers(len(pieces)))]
        return used

    def issue(self, day: int, part: str, quantity: float, kind: str | None, job: Row | None, slip: int) -> None:
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
