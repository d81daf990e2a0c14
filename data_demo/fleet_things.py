"""What a running fleet consists of: designs as arrays, vehicles with their odometers, units with their lives."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_demo.fleet_specs import DISTRIBUTIONS, Component, Family, Floats, Point

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
