"""The city buses of Rust (1987) as tables of the contract.

Rust, J. (1987), "Optimal Replacement of GMC Bus Engines: An Empirical Model of Harold Zurcher", Econometrica 55(5),
999-1033: 166 buses of one transit fleet, one odometer a month from 1974 to 1985, month and odometer of each engine
rebuild. Each `.asc` file is one column of numbers, a matrix stacked column by column, one column a bus: bus number,
month and year bought, month, year and odometer of the first rebuild (0: none), the same of the second, month and year
where the readings begin; then an odometer a month.

The files stay where they are; they are read from `../shared/data/city-buses` beside the project.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

FOLDER = Path(__file__).parents[2].parent / "shared" / "data" / "city-buses"
ROWS_AND_BUSES = {
    "d309": (110, 4),
    "g870": (36, 15),
    "rt50": (60, 4),
    "t8h203": (81, 48),
    "a452372": (137, 18),
    "a452374": (137, 10),
    "a530872": (137, 18),
    "a530874": (137, 12),
    "a530875": (128, 37),
}
# Rust's groups 1 to 8
GROUPS = {
    "g870": 1,
    "rt50": 2,
    "t8h203": 3,
    "a530875": 4,
    "a530874": 5,
    "a452374": 6,
    "a530872": 7,
    "a452372": 8,
}
HEAD = 11
PART = "REBUILD-KIT"
Frames = dict[str, pd.DataFrame]


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus: rebuilds as (day in mid-month, odometer), readings as (last day of the month, odometer)."""

    number: int
    group: int
    bought: dt.date
    rebuilds: tuple[tuple[dt.date, float], ...]
    readings: tuple[tuple[dt.date, float], ...]


def buses() -> list[Bus]:
    """All buses of groups 1 to 8."""
    found = []
    for name, group in GROUPS.items():
        rows, count = ROWS_AND_BUSES[name]
        matrix = np.loadtxt(FOLDER / f"{name}.asc").reshape(count, rows)
        for column in matrix:
            head, odometers = column[:HEAD], column[HEAD:]
            rebuilds = tuple((_day(head[k], head[k + 1], 15), float(head[k + 2])) for k in (3, 6) if head[k + 2] > 0)
            first = int(head[10]) * 12 + int(head[9]) - 1
            readings = tuple((_month_end(first + n), float(odometer)) for n, odometer in enumerate(odometers))
            bought = _day(head[1], head[2], 1)
            found.append(Bus(int(head[0]), group, bought, rebuilds, readings))
    return found


def _day(month: float, year: float, day: int) -> dt.date:
    return dt.date(1900 + int(year), int(month), day)


def _month_end(months: int) -> dt.date:
    year, month = 1900 + months // 12, months % 12 + 1
    return dt.date(year, month, calendar.monthrange(year, month)[1])


def as_tables(fleet: list[Bus], *, family: str | None = None, entered_late: bool = False) -> Frames:
    """The buses as tables of the contract: a unit is an engine, its one component the engine's wear.

    family: one for all; by default the group's (`group 3`). entered_late: the engines are first seen, used, with the
    first reading; by default new with the bus. No mileage is given anywhere: ages follow from odometers and fitments.
    """
    names = {bus.group: family or f"group {bus.group}" for bus in fleet}
    rows: dict[str, list[dict[str, object]]] = {
        t: [] for t in ("odometers", "units", "fitments", "teardowns", "findings")
    }
    issued = []
    for bus in fleet:
        vehicle, unit = f"bus {bus.number}", f"engine {bus.number}"
        seen, odometer = bus.readings[0] if entered_late else (bus.bought, 0.0)
        rows["units"].append(
            {
                "unit": unit,
                "family": names[bus.group],
                "origin": "used" if entered_late else "new",
                "first_seen_on": seen,
                "first_seen_mileage": odometer,
            }
        )
        rows["fitments"].append({"unit": unit, "vehicle": vehicle, "fitted_on": seen, "fitted_odometer": odometer})
        rows["odometers"] += [{"vehicle": vehicle, "read_on": day, "odometer": o} for day, o in bus.readings]
        for n, (day, at) in enumerate(bus.rebuilds, 1):
            job = f"{bus.number}-{n}"
            rows["teardowns"].append({"job": job, "unit": unit, "opened_on": day, "vehicle": vehicle, "odometer": at})
            rows["findings"].append(
                {"job": job, "component": "engine", "verdict": "fail", "action": "replace", "role": "cause"}
            )
            issued.append({"issued_on": day, "part": PART, "quantity": 1, "job": job})
    families = sorted(set(names.values()))
    uses = [{"family": f, "component": "engine", "part": PART, "quantity": 1} for f in families]
    components = [{"family": f, "component": "engine", "group": "engine", "shows": "in_service"} for f in families]
    vehicles = [{"vehicle": f"bus {bus.number}", "in_service_on": bus.bought} for bus in fleet]
    frames = {name: pd.DataFrame(table) for name, table in rows.items()}
    frames |= {
        "vehicles": pd.DataFrame(vehicles),
        "components": pd.DataFrame(components),
        "parts": pd.DataFrame(
            [{"part": PART, "name": "engine rebuild kit", "unit_cost": 1800.0, "lead_time_days": 30}]
        ),
        "part_uses": pd.DataFrame(uses),
        "issued_parts": pd.DataFrame(issued),
    }
    return frames


def write(frames: Frames, folder: Path) -> None:
    """The tables as CSV files."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
