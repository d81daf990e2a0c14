"""A history of any size for the benchmarks: more findings are more teardowns of more units, in the same 20 families.

Units go into service over three years and are opened up to five times; two of a kind change their vehicles each time.
Vehicles have a reading a quarter, some a second meter; half of the teardowns leave their mileage to the fitments. A
place's life is Weibull by distance, anew at each replacement; assemblies, `always` components, repairs, gauged points,
double findings and unknown first mileages are all there. Parts, part uses, shelves and sites don't grow.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

Array = np.ndarray[Any, Any]

FAMILIES, SITES, DUTIES = 20, ("north", "south", "east", "west"), ("light", "heavy", "off road")
ROUNDS, QUARTER, PER_TEARDOWN = 5, 90, 18.1  # findings per teardown, as it comes out
FIRST_DAY, TODAY = np.datetime64("2014-01-01"), np.datetime64("2024-12-31")
DAYS = int((TODAY - FIRST_DAY).astype(int))

# component, group, positions, renewal, shows, supplied in, point that is gauged
DESIGN = (
    ("c00", "bearing", 2, "on_condition", "at_teardown", None, "c00 bore"),
    ("c01", "bearing", 2, "on_condition", "in_service", None, None),
    ("c02", "seal", 2, "always", "at_teardown", None, None),
    ("c03", "seal", 1, "always", "in_service", None, None),
    ("c04", "ring", 1, "always", "at_teardown", None, None),
    ("c05", "gear", 1, "on_condition", "at_teardown", None, "c05 backlash"),
    ("c06", "gear", 1, "on_condition", "in_service", None, None),
    ("c07", "carrier", 1, "on_condition", "at_teardown", None, None),
    ("c08", "pin", 4, "on_condition", "at_teardown", "c07", None),
    ("c09", "plate", 1, "on_condition", "at_teardown", "c07", None),
    ("c10", "housing", 1, "on_condition", "at_teardown", None, "c10 bore"),
    ("c11", "shaft", 1, "on_condition", "at_teardown", None, "c11 runout"),
    ("c12", "gear", 1, "on_condition", "at_teardown", "c11", None),
    ("c13", "spring", 1, "on_condition", "in_service", None, None),
)
_PLACES = pd.DataFrame(
    [(c, k + 1, r == "always", s == "in_service", p) for c, _, n, r, s, _, p in DESIGN for k in range(n)],
    columns=["component", "position", "always", "in_service", "point"],
)
_HELD = [
    np.flatnonzero(_PLACES["component"].isin(names)) for names in (("c07", "c08", "c09"), ("c11", "c12"))
]  # what is replaced together
_SLOPE = {"c00 bore": 0.4, "c05 backlash": 0.6, "c10 bore": 0.2, "c11 runout": 0.3}  # of a reading, per 100,000


def tables(findings: int, seed: int = 3) -> dict[str, pd.DataFrame]:
    """The contract's tables with about as many findings as asked for (within a few per cent)."""
    rng = np.random.default_rng(seed)
    pairs = max(FAMILIES, round(findings / PER_TEARDOWN / ROUNDS / 2))
    fleet = _Fleet(2 * pairs, rng)
    for number in range(ROUNDS):
        fleet.round(number)
    fleet.fit_again(fleet.day, ROUNDS)
    found = {name: pd.concat(parts, ignore_index=True) for name, parts in fleet.written.items()}
    return found | {"units": fleet.units(), "vehicles": fleet.vehicles(), "odometers": fleet.odometers()} | _design(rng)


@dataclass
class _Fleet:
    """The fleet as it runs: arrays by unit, by unit and place, by vehicle and quarter."""

    size: int
    rng: np.random.Generator
    written: dict[str, list[pd.DataFrame]] = field(
        default_factory=lambda: {"fitments": [], "teardowns": [], "findings": []}
    )

    def __post_init__(self) -> None:
        rng, size = self.rng, self.size
        self.unit = np.arange(size)
        self.pair = self.unit // 2
        self.family = self.pair % FAMILIES
        self.unit_name = pd.array("U" + pd.Series(self.unit).astype("str"), dtype="str")
        self.vehicle_name = pd.array("V" + pd.Series(self.unit).astype("str"), dtype="str")
        quarters = DAYS // QUARTER + 1
        rate = rng.lognormal(np.log(60.0), 0.35, size)[:, None] * rng.uniform(0.5, 1.5, (size, quarters - 1))
        self.line = np.zeros((size, quarters))
        self.line[:, 1:] = np.cumsum((rate * QUARTER).round(), axis=1)
        origins = np.array(["new", "used", "rebuilt"])
        self.origin = origins[rng.choice(3, size, p=[0.6, 0.25, 0.15])]
        self.mileage = np.where(self.origin == "new", 0.0, rng.uniform(10_000, 80_000, size).round())
        self.first_seen = np.where(rng.random(size) < 0.3, np.nan, self.mileage)
        self.scale = np.exp(rng.normal(np.log(130_000.0), 0.4, (FAMILIES, len(_PLACES))))
        self.shape = np.exp(rng.normal(np.log(2.2), 0.2, (FAMILIES, len(_PLACES))))
        self.age = np.zeros((size, len(_PLACES)))
        self.life = self.lives()
        self.day = rng.integers(0, 3 * 365, size // 2)[self.pair]

    def lives(self) -> Array:
        return self.scale[self.family] * self.rng.weibull(self.shape[self.family])

    def at(self, vehicle: Array, day: Array) -> Array:
        """A vehicle's distance on a day, by straight line between its readings."""
        quarter = np.minimum(day // QUARTER, self.line.shape[1] - 2)
        share = np.minimum((day - quarter * QUARTER) / QUARTER, 1.0)
        low, high = self.line[vehicle, quarter], self.line[vehicle, quarter + 1]
        return low + share * (high - low)

    def fit_again(self, fitted: Array, number: int) -> tuple[Array, Array]:
        """Fit every unit into its pair's vehicles by turns; gives the vehicle and the day on which it comes out."""
        vehicle = self.unit ^ (number & 1)
        out = fitted + self.rng.integers(250, 700, self.size // 2)[self.pair]
        begun, ended = fitted <= DAYS, out <= DAYS
        shelved = (number == ROUNDS) & (self.rng.random(self.size) < 0.3)
        frame = pd.DataFrame(
            {
                "unit": self.unit_name,
                "vehicle": self.vehicle_name[vehicle],
                "fitted_on": _date(fitted),
                "removed_on": _date(out, ended),
            }
        )
        self.written["fitments"].append(frame[begun & (ended | ~shelved)])
        return vehicle, out

    def round(self, number: int) -> None:
        """One stay in a vehicle and the teardown at its end."""
        rng, size = self.rng, self.size
        vehicle, out = self.fit_again(self.day, number)
        opened = np.minimum(out + rng.integers(0, 3, size // 2)[self.pair], DAYS)
        run = self.at(vehicle, np.minimum(out, DAYS)) - self.at(vehicle, self.day)
        self.mileage, self.age = self.mileage + run, self.age + run[:, None]
        torn = out <= DAYS
        failed = self.age >= self.life
        shown = failed & _PLACES["in_service"].to_numpy()
        cause = np.zeros_like(failed)
        cause[self.unit, shown.argmax(axis=1)] = shown.any(axis=1)
        repair = rng.random(size) < 0.12
        who = np.flatnonzero(torn)
        job = pd.array(f"J{number}-" + pd.Series(self.unit).astype("str"), dtype="str")
        given = np.where(rng.random(size) < 0.5, self.mileage.round(), np.nan)
        known = (self.origin == "new") | ~np.isnan(self.first_seen)
        self.written["teardowns"].append(
            pd.DataFrame(
                {
                    "job": job[who],
                    "unit": self.unit_name[who],
                    "opened_on": _date(opened)[who],
                    "unit_mileage": np.where(known, given, np.nan)[who],
                    "vehicle": self.vehicle_name[vehicle][who],
                    "reason": np.where(shown.any(axis=1), "failure", "scheduled")[who],
                    "scope": np.where(repair, "repair", "rebuild")[who],
                    "site": np.array(SITES)[vehicle % len(SITES)][who],
                    "bench": np.array(["b1", "b2", "b3"])[rng.integers(0, 3, size)][who],
                }
            )
        )
        replaced = self.find(job, torn, repair, failed, cause)
        for held in _HELD:
            replaced[:, held] |= replaced[:, held].any(axis=1)[:, None]
        self.age, self.life = np.where(replaced, 0.0, self.age), np.where(replaced, self.lives(), self.life)
        self.day = out + rng.integers(5, 20, size // 2)[self.pair]

    def find(self, job: Any, torn: Array, repair: Array, failed: Array, cause: Array) -> Array:
        """Write this round's findings; gives which places were replaced."""
        rng, shape = self.rng, failed.shape
        always = _PLACES["always"].to_numpy()
        recorded = torn[:, None] & np.where(repair[:, None], failed, rng.random(shape) < 0.93)
        words = rng.random(shape)
        verdict = np.where(failed, 0, np.where(words < 0.04, 2, 1))
        action = np.select(
            [failed | (always & ~repair[:, None]), words < 0.07, words < 0.12, words < 0.14], [0, 0, 2, 1], 3
        )
        role = np.select([cause, failed & cause.any(axis=1)[:, None] & (words > 0.9), failed], [0, 1, 2], 3)
        row, place = np.nonzero(recorded)
        frame = pd.DataFrame(
            {
                "job": job[row],
                "component": _words(_PLACES["component"], place),
                "position": _PLACES["position"].to_numpy()[place],
                "point": _words(_PLACES["point"], place),
                "verdict": _words(["fail", "ok", "not_checked"], verdict[row, place]),
                "action": _words(["replace", "machine", "dress", "reuse"], action[row, place]),
                "role": _words(["cause", "consequence", "wear", None], role[row, place]),
            }
        )
        slope = _PLACES["point"].map(_SLOPE).to_numpy()[place]
        worn = self.age[row, place] / 100_000 * slope
        frame["reading"] = (0.1 + worn * rng.lognormal(0.0, 0.2, len(worn))).round(3)
        make = np.where(rng.random(len(row)) < 0.7, "a", "b")
        part = _part(self.family[row], frame["component"], make)
        frame["part"] = part.where(action[row, place] == 0)
        # some places are looked at twice, at their point and as a whole
        twice = frame[frame["point"].notna().to_numpy() & (rng.random(len(frame)) < 0.3)]
        nothing = twice["point"].where(twice["point"].isna())
        self.written["findings"].append(pd.concat([frame, twice.assign(point=nothing, reading=np.nan)]))
        return recorded & (action == 0)

    def units(self) -> pd.DataFrame:
        frame = pd.DataFrame({"unit": self.unit_name, "family": _family(self.family), "origin": self.origin})
        return frame.assign(first_seen_mileage=self.first_seen)

    def vehicles(self) -> pd.DataFrame:
        site, duty = self.unit % len(SITES), self.rng.integers(0, len(DUTIES), self.size)
        frame = pd.DataFrame({"vehicle": self.vehicle_name, "site": np.array(SITES)[site]})
        return frame.assign(duty=np.array(DUTIES)[duty])

    def odometers(self) -> pd.DataFrame:
        """A reading a quarter; one vehicle in twenty has a new meter from some quarter on, read on the same day."""
        size, quarters = self.line.shape
        changed = np.where(self.rng.random(size) < 0.05, self.rng.integers(2, quarters - 2, size), quarters)
        vehicle, quarter = (part.ravel() for part in np.indices(self.line.shape))
        after = quarter > changed[vehicle]
        base = self.line[np.arange(size), np.minimum(changed, quarters - 1)]
        reading = self.line.ravel() + 500 - np.where(after, base[vehicle] + 500, 0.0)
        new = np.flatnonzero(changed < quarters)
        return pd.DataFrame(
            {
                "vehicle": self.vehicle_name[np.append(vehicle, new)],
                "read_on": _date(np.append(quarter, changed[new]) * QUARTER),
                "odometer": np.append(reading, np.zeros(len(new))),
                "meter": np.append(1 + after, np.full(len(new), 2)),
            }
        )


def _words(words: Any, code: Array) -> Any:
    return pd.array(list(words), dtype="str")[code]


def _date(day: Array, told: Array | None = None) -> pd.Series:
    dates = pd.Series(FIRST_DAY + day.astype("timedelta64[D]")).astype("datetime64[us]")
    return dates if told is None else dates.where(told)


def _family(number: Array) -> Any:
    return _words([f"F{k:02d}" for k in range(FAMILIES)], number)


def _part(family: Array, component: pd.Series, make: Array) -> pd.Series:
    return pd.Series("P" + pd.Series(family // 2).astype("str") + component.to_numpy() + pd.Series(make))


def _design(rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Components, points, parts of two makes shared by two families each, their uses, and shelves."""
    names = ["component", "group", "positions", "renewal", "shows", "supplied_in", "point"]
    design = pd.DataFrame(DESIGN, columns=names)
    families = pd.DataFrame({"family": _family(np.arange(FAMILIES)), "pair": np.arange(FAMILIES) // 2})
    each = families.merge(design, how="cross")
    points = each[each["point"].notna()][["family", "point", "component"]]
    points = points.assign(
        method="gauge", reading_unit="mm", as_new=0.1, high_limit=0.1 + 1.2 * points["point"].map(_SLOPE)
    )
    uses = each.merge(pd.DataFrame({"make": ["a", "b"], "share": [0.7, 0.3]}), how="cross")
    uses["part"] = "P" + uses["pair"].astype("str") + uses["component"] + uses["make"]
    parts = uses[["part"]].drop_duplicates(ignore_index=True)
    parts["unit_cost"] = rng.lognormal(3.0, 1.0, len(parts)).round(2)
    parts["pack_size"] = rng.choice([1, 1, 1, 4, 10], len(parts))
    parts["lead_time_days"] = rng.integers(3, 60, len(parts))
    parts["lead_time_sd_days"] = (parts["lead_time_days"] * 0.3).round()
    stock = parts[["part"]].merge(pd.DataFrame({"site": ["north", "south"]}), how="cross")
    stock = stock.assign(counted_on=_date(np.full(len(stock), DAYS)), on_hand=rng.poisson(3, len(stock)))
    served = pd.DataFrame({"site": SITES, "served_by": ["north", "south", "north", "south"]})
    uses["choice"] = "make"
    return {
        "components": each[["family", "component", "group", "positions", "renewal", "shows", "supplied_in"]],
        "points": points,
        "part_uses": uses[["family", "component", "part", "choice", "share"]],
        "parts": parts,
        "stock": stock,
        "sites": served,
    }
