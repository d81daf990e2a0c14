"""Seeded random fleets by the contract, with their truth: for tests that ask whether the answers find it again.

`random_fleet(seed, units=..., ...)` designs families, components, parts and vehicles at random and runs them event by
event (`data_demo.fleet_engine`). The `Fleet` it returns gives

- `tables(as_of)`: every contract table as DataFrames, as known on a day; `write(folder, as_of)`: the same as CSV files;
- `true_lives()`: the true distribution of every component, its B10 and median for the fleet's mix and per duty;
- `issued_after(as_of, until)`, `teardowns_after(as_of, until)`: what really came after a day;
- `plan.plants`: the causes planted, where any were asked for.

`cut_day(fleet)` is the day `years` after the start; the engine has run `months_after` months beyond it.
"""

from __future__ import annotations

import datetime as dt
from functools import cache

import numpy as np

from data_demo.fleet_specs import Component, Family, FleetPlan, Plant, Point, Use
from data_demo.fleet_tables import Fleet, run_fleet

START = dt.date(2019, 1, 1)
GROUPS = ("bearing", "seal", "ring", "gear", "shaft", "valve", "spring", "housing")
Groups = dict[str, tuple[float, float]]
PLANTS = ("duties", "missed", "fitting", "make", "bench", "vehicle", "left_out")


def cut_day(fleet: Fleet, months_after: int = 12) -> dt.date:
    """The last day but `months_after` months of 30.4 days: the day on which a shop would ask."""
    return fleet.date(fleet.plan.days - 1 - round(30.4375 * months_after))


@cache
def random_fleet(
    seed: int,
    *,
    units: int = 300,
    years: float = 6.0,
    families: int = 2,
    components: int = 10,
    months_after: int = 12,
    plants: tuple[str, ...] = (),
    yearly: float = 45_000.0,
    typical_life: float = 250_000.0,
    first_mileage_given: float = 0.85,
    mileage_given: float = 0.6,
) -> Fleet:
    """A fleet of `units` units over `years` years and `months_after` months beyond; `plants` names of `PLANTS`."""
    rng = np.random.default_rng([seed, 77])
    days = round(365.25 * years + 30.4375 * months_after) + 2
    parts: list[dict[str, object]] = []
    shares = rng.dirichlet(np.full(families, 8.0))
    sizes = np.maximum(np.round(shares * units).astype(int), 3)
    groups = _groups(rng, typical_life)
    designs = [_family(rng, f"F{f + 1}", int(sizes[f]), components, groups, parts) for f in range(families)]
    old = str(parts[int(rng.integers(len(parts)))]["part"])
    successor = _part(rng, f"{old}-B")
    next(p for p in parts if p["part"] == old)["replaced_by"] = successor["part"]
    parts.append(successor)
    counter = [(str(p["part"]), float(rng.uniform(0.1, 1.5))) for p in parts[:: max(len(parts) // 4, 1)]]
    plan = FleetPlan(
        start=START,
        days=days,
        families=tuple(designs),
        parts=tuple(parts),
        sites=(("north", None, 0.5), ("south", None, 0.3), ("yard", "south", 0.2)),
        benches=(("n1", "north"), ("n2", "north"), ("s1", "south"), ("s2", "south")),
        duties=(("road", 1.0, 0.7), ("quarry", 1.0, 0.3)),
        yearly=(yearly, 0.35),
        counter=tuple(counter),
        superseded=((old, int(days * rng.uniform(0.3, 0.8))),),
        campaigns=((designs[0].family, int(days * rng.uniform(0.2, 0.7)), 120),),
        mileage_given=mileage_given,
        first_mileage_given=first_mileage_given,
    )
    return run_fleet(_with_plants(plan, plants, rng), seed)


def _with_plants(plan: FleetPlan, plants: tuple[str, ...], rng: np.random.Generator) -> FleetPlan:
    changes: dict[str, object] = {}
    planted: list[Plant] = []
    family = plan.families[0]
    showing = [c for c in family.components if c.in_service and c.uses]
    target = showing[0]
    since = int(plan.days * rng.uniform(0.35, 0.5))
    for name in plants:
        if name == "duties":
            changes["duties"] = (("road", 1.0, 0.7), ("quarry", 1.8, 0.3))
        elif name == "missed":
            changes["missed"] = 0.05
        elif name == "fitting":
            until = since + 240
            planted.append(Plant("fitting", "spell", family.family, target.component, 25.0, 0.3, since, until))
        elif name == "make":
            chosen = next((c for c in family.components if len(c.uses) > 1 and c.in_service), None)
            if chosen is not None:
                planted.append(Plant("make", chosen.uses[0].part, family.family, chosen.component, 4.0, 1.0, since))
        elif name == "bench":
            planted.append(Plant("bench", "n2", family.family, target.component, 5.0, 0.8, since))
        elif name == "vehicle":
            planted.append(Plant("vehicle", "V003", factor=4.0))
        elif name == "left_out":
            chosen = next(c for c in family.components if c.always and c.in_service)
            planted.append(Plant("left_out", "s1", family.family, chosen.component, 1.0, 0.7, since))
        else:
            raise ValueError(f"no plant {name!r}; there are {', '.join(PLANTS)}")
    values = {name: getattr(plan, name) for name in plan.__dataclass_fields__} | changes
    return FleetPlan(**{**values, "plants": tuple(planted)})


def _part(rng: np.random.Generator, number: str) -> dict[str, object]:
    return {
        "part": number,
        "name": f"part {number}",
        "unit_cost": round(float(np.exp(rng.normal(3.5, 1.2))), 2),
        "pack_size": int(rng.choice([1, 1, 1, 2, 5, 10])),
        "min_order": int(rng.choice([1, 1, 5])),
        "supplier": f"supplier {int(rng.integers(1, 4))}",
        "lead_time_days": int(rng.choice([7, 14, 30, 60])),
        "lead_time_sd_days": int(rng.choice([2, 5, 10])),
        "replaced_by": None,
    }


def _family(
    rng: np.random.Generator, name: str, units: int, count: int, groups: Groups, parts: list[dict[str, object]]
) -> Family:
    """A random design: first a seal renewed at every rebuild, then one that shows in service and comes in two makes.

    There is an assembly with two components supplied in it, a component with several positions, and one with grades.
    """
    if count < 7:
        raise ValueError("a random family has at least 7 components")
    components = []
    for i in range(count):
        group = "seal" if i == 0 else GROUPS[int(rng.integers(len(GROUPS)))]
        label = f"{group}{i + 1:02d}"
        in_service = i in (0, 1) or i == count - 1 or (i > 5 and rng.random() < 0.3)
        distribution = str(rng.choice(["weibull", "weibull", "weibull", "lognormal", "loglogistic"]))
        typical, steep = groups[group]
        scale = typical * float(np.exp(rng.normal(0.2 if in_service else 0.0, 0.3)))
        weibull = steep * float(np.exp(rng.normal(0.0, 0.15)))
        # the same spread of log life, whatever the distribution
        shape = {"weibull": weibull, "lognormal": 1.283 / weibull, "loglogistic": 1.414 * weibull}[distribution]
        supplied_in = components[3].component if i in (4, 5) else None
        positions = 1 if supplied_in else int(rng.choice([1, 1, 1, 2, 4])) if i != 6 else 2
        uses: tuple[Use, ...] = ()
        if supplied_in is None:
            numbers = [f"{name}-P{i + 1:02d}"]
            if i in (1, 6):
                numbers += [f"{name}-P{i + 1:02d}x"]
            parts.extend(_part(rng, number) for number in numbers)
            quantity = float(rng.choice([1, 1, 1, 2, 6]))
            if len(numbers) == 1:
                uses = (Use(numbers[0], quantity),)
            else:
                share = round(float(rng.uniform(0.3, 0.7)), 2)
                uses = tuple(
                    Use(n, quantity, f"choice {i}", s) for n, s in zip(numbers, (share, 1 - share), strict=True)
                )
        ruins: tuple[tuple[str, float], ...] = ()
        if i > 5 and in_service:
            ruins = ((components[2].component, 0.25), (components[1].component, 0.1))
        components.append(
            Component(
                component=label,
                name=label,
                group=group,
                scale=scale,
                shape=shape,
                distribution=distribution,
                positions=positions,
                always=i == 0,
                supplied_in=supplied_in,
                in_service=in_service,
                safety=rng.random() < 0.1,
                habit=float(rng.choice([0.0, 0.02, 0.1, 0.3])),
                dress=float(rng.choice([0.0, 0.05])),
                machine=float(rng.choice([0.0, 0.0, 0.03])),
                recorded=float(rng.uniform(0.85, 1.0)),
                repair=float(rng.choice([0.0, 0.3])) if i != 0 else 0.1,
                ruins=ruins,
                complaints=(("noise", float(rng.random())), ("leak", float(rng.random())), ("heat", 0.1))
                if in_service
                else (),
                keeps_grade=i == 6,
                points=_points(rng, label),
                uses=uses,
            )
        )
    scheduled = (
        float(np.median([middle for middle, _ in groups.values()])) * float(rng.uniform(0.7, 1.2))
        if rng.random() < 0.6
        else None
    )
    spares = max(1, units // 15)
    return Family(name, tuple(components), units, scheduled_at=scheduled, spares=spares, new=0.5, rebuilt=0.2)


def _groups(rng: np.random.Generator, typical: float) -> Groups:
    """Components of a group are alike: the middle of their scales and of their (Weibull) shapes, over all families."""
    return {g: (typical * float(np.exp(rng.normal(0.15, 0.35))), float(rng.uniform(1.5, 3.5))) for g in GROUPS}


def _points(rng: np.random.Generator, label: str) -> tuple[Point, ...]:
    sight = Point(f"{label} face", "sight", sound=("clean", "polished"), bad=("pitted", "scored"), burr=("burr",))
    gauge = Point(f"{label} gap", "gauge", "mm", 0.05, high_limit=round(float(rng.uniform(0.2, 0.6)), 2))
    choice = int(rng.integers(4))
    return ((), (sight,), (gauge,), (gauge, sight))[choice]
