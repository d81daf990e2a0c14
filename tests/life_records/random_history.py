"""Small random histories full of what shops write down: not physical, only lawful by the contract.

Every feature that a rule speaks of turns up often: used, rebuilt and unlabelled units, unknown first mileages, units
without fitments, several meters, missing odometers, repairs, nested assemblies, sets of positions, double findings,
unrecorded `always` parts, fails that are left in, teardowns on the day of a removal.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np

from tests.references.lives_by_hand import Line, lives_by_hand

Row = dict[str, Any]
_START = date(2019, 1, 1)


def random_history(seed: int) -> dict[str, list[Row]]:
    """The contract's tables as rows of typed values; the same seed gives the same history."""
    rng = np.random.default_rng(seed)
    vehicles = [
        {"vehicle": f"V{i}", "site": _maybe(rng, ["north", "south"]), "duty": _maybe(rng, ["light", "heavy"])}
        for i in range(5)
    ]
    components = _components(rng)
    points = [
        {"family": c["family"], "point": f"{c['component']}.{k}", "component": c["component"]}
        for c in components
        for k in (1, 2)
    ]
    tables: dict[str, list[Row]] = {"vehicles": vehicles, "components": components, "points": points}
    tables["odometers"] = [row for v in vehicles for row in _odometers(rng, v["vehicle"])]
    tables["units"], tables["fitments"], tables["teardowns"], tables["findings"] = [], [], [], []
    for number in range(6):
        _unit(rng, f"U{number}", tables)
    _give_mileages(rng, tables)
    return tables


def _give_mileages(rng: np.random.Generator, tables: dict[str, list[Row]]) -> None:
    """Write down some of the mileages that follow from the fitments, and lawful ones for units without fitments."""
    derived = lives_by_hand(tables).job_mileages
    for unit in tables["units"]:
        habit, mileage = rng.random(), unit["first_seen_mileage"] or 0.0
        fitted = any(f["unit"] == unit["unit"] for f in tables["fitments"])
        for job in (t for t in tables["teardowns"] if t["unit"] == unit["unit"]):
            mileage += float(rng.integers(0, 80_000))
            if rng.random() < habit:
                job["unit_mileage"] = derived[job["job"]] if fitted else mileage


def _maybe(rng: np.random.Generator, values: list[Any], missing: float = 0.2) -> Any:
    return None if rng.random() < missing else values[rng.integers(len(values))]


def _day(days: float) -> date:
    return _START + timedelta(days=int(days))


def _components(rng: np.random.Generator) -> list[Row]:
    rows: list[Row] = []
    for family in ("P", "Q"):
        for k in range(6):
            holder, positions = None, int(rng.choice([1, 1, 2, 3]))
            if k >= 3 and rng.random() < 0.6:
                held_by = rows[-int(rng.integers(1, k + 1))]
                # an assembly is one, or has as many as what it holds: which goes with which is then beyond doubt
                if held_by["positions"] in (1, positions):
                    holder = held_by["component"]
            rows.append(
                {
                    "family": family,
                    "component": f"c{k}",
                    "positions": positions,
                    "renewal": _maybe(rng, ["always", "on_condition", "on_condition"]),
                    "shows": _maybe(rng, ["in_service", "at_teardown"]),
                    "supplied_in": holder,
                }
            )
    return rows


def _odometers(rng: np.random.Generator, vehicle: str) -> list[Row]:
    if rng.random() < 0.15:
        return []
    rows, day, reading, meter = [], float(rng.integers(0, 200)), float(rng.integers(0, 50_000)), 1
    for _ in range(rng.integers(1, 12)):
        rows.append({"vehicle": vehicle, "read_on": _day(day), "odometer": reading, "meter": meter})
        if rng.random() < 0.15:
            meter, reading = meter + 1, float(rng.integers(0, 100))
        step = int(rng.integers(1, 200))
        day, reading = day + step, reading + float(step * rng.integers(0, 150))
    return rows


def _unit(rng: np.random.Generator, name: str, tables: dict[str, list[Row]]) -> None:
    family = str(rng.choice(["P", "Q"]))
    origin = _maybe(rng, ["new", "used", "rebuilt"])
    first_mileage = None if rng.random() < 0.4 else (0.0 if origin == "new" else float(rng.integers(0, 60_000)))
    tables["units"].append({"unit": name, "family": family, "origin": origin, "first_seen_mileage": first_mileage})
    day = float(rng.integers(0, 300))
    fitted = rng.random() < 0.85
    for job_number in range(rng.integers(0, 6)):
        removed_on = None
        if fitted:
            fitted_on = day
            day += float(rng.integers(1, 500))
            removed_on = day if rng.random() < 0.8 else None
            vehicle = f"V{rng.integers(5)}"
            tables["fitments"].append(
                {
                    "unit": name,
                    "vehicle": vehicle,
                    "fitted_on": _day(fitted_on),
                    "fitted_odometer": _written(rng, vehicle, fitted_on, tables),
                    "removed_on": None if removed_on is None else _day(removed_on),
                    "removed_odometer": None if removed_on is None else _written(rng, vehicle, removed_on, tables),
                }
            )
        opened = day + float(rng.choice([0, 0, 1, 20]))
        job = f"{name}-{job_number}"
        tables["teardowns"].append(
            {
                "job": job,
                "unit": name,
                "opened_on": _day(opened),
                "vehicle": vehicle if fitted and rng.random() < 0.3 else None,
                "odometer": _written(rng, vehicle, opened, tables) if fitted else None,
                "reason": _maybe(rng, ["failure", "scheduled", "campaign", "comeback"], 0.4),
                "scope": _maybe(rng, ["rebuild", "rebuild", "repair"]),
                "bench": _maybe(rng, ["b1", "b2"]),
            }
        )
        _findings(rng, job, family, tables)
        day = opened + float(rng.integers(1, 60))
        if removed_on is None and fitted:
            break


def _written(rng: np.random.Generator, vehicle: str, day: float, tables: dict[str, list[Row]]) -> float | None:
    """An odometer written down by hand: what the meter in force stood at that day, mostly left empty."""
    if rng.random() < 0.6:
        return None
    line = Line([row for row in tables["odometers"] if row["vehicle"] == vehicle])
    on_day = line.on(_day(day))
    return day * 40.0 if on_day is None else on_day - line.joined(0.0, _day(day))


def _findings(rng: np.random.Generator, job: str, family: str, tables: dict[str, list[Row]]) -> None:
    for component in tables["components"]:
        if component["family"] != family or rng.random() < 0.35:
            continue
        for position in range(1, component["positions"] + 1):
            for point in (None, f"{component['component']}.1", f"{component['component']}.2"):
                if rng.random() < 0.6:
                    continue
                tables["findings"].append(
                    {
                        "job": job,
                        "component": component["component"],
                        "point": point,
                        "position": position,
                        "verdict": _maybe(rng, ["ok", "ok", "fail", "not_checked"]),
                        "action": _maybe(rng, ["reuse", "dress", "machine", "replace"], 0.4),
                        "role": _maybe(rng, ["cause", "consequence", "wear"], 0.6),
                        "part": _maybe(rng, ["p1", "p2"], 0.5),
                    }
                )
