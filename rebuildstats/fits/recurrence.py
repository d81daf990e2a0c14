"""Repairs of a population over age: the mean cumulative function, counted or in money.

Nelson (1995), Technometrics 37:147, and *Recurrent Events Data Analysis* (2003): at every event age the mean number
of events per unit rises by events / units under observation; the robust variance makes no assumption about the
process and lets units differ. A unit is under observation from `entry` to `end`; at a tie events come before endings.
The estimate here is the one of R's `survival` (`survfit` with id, `std.chaz`) where event ages of different units are
untied.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeanCumulative:
    """Mean cumulative events (or cost) per unit.

    age: distinct event ages; mean, variance: at and after each; poisson_variance: what a Poisson process would give
    (for contrast; wrong where units differ); at_risk: units under observation; events: at each age. units: all units.
    influence: (units, ages) each unit's contribution, whose squares sum to the variance.
    """

    age: Array
    mean: Array
    variance: Array
    poisson_variance: Array
    at_risk: npt.NDArray[np.int64]
    events: npt.NDArray[np.int64]
    units: int
    influence: Array

    @property
    def standard_error(self) -> Array:
        return np.sqrt(self.variance)

    def at(self, age: npt.ArrayLike) -> tuple[Array, Array]:
        """(mean, standard error) at any ages, 0 before the first event."""
        place = np.searchsorted(self.age, np.asarray(age, dtype=float), side="right")
        return np.append(0.0, self.mean)[place], np.append(0.0, self.standard_error)[place]

    def frame(self, level: float = 0.90) -> pd.DataFrame:
        """age, at_risk, events, mean, lower, upper (normal on the log scale, so never below 0), standard_error."""
        z = float(stats.norm.ppf((1 + level) / 2))
        some = self.mean > 0
        width = np.exp(z * self.standard_error / np.where(some, self.mean, 1.0))
        return pd.DataFrame(
            {
                "age": self.age,
                "at_risk": self.at_risk,
                "events": self.events,
                "mean": self.mean,
                "lower": np.where(some, self.mean / width, 0.0),
                "upper": np.where(some, self.mean * width, np.inf),
                "standard_error": self.standard_error,
            }
        )


def mean_cumulative(events: pd.DataFrame, units: pd.DataFrame) -> MeanCumulative:
    """The mean cumulative function of one group.

    events: unit, age, and optionally cost (each event's money; without it every event counts 1). units: unit, end,
    and optionally entry (0): one row per spell under observation, so a unit may leave and come back. Events outside
    the spells of their unit are no part of the estimate. Raises ValueError for an event of a unit without a row.
    """
    names, spell_unit = np.unique(units["unit"].astype(str), return_inverse=True)
    entry = units["entry"].fillna(0).to_numpy(dtype=float) if "entry" in units else np.zeros(len(units))
    end = units["end"].to_numpy(dtype=float)
    who = (
        np.searchsorted(names, events["unit"].astype(str).to_numpy(dtype=str))
        if len(names)
        else np.zeros(len(events), int)
    )
    if len(events) and (
        len(names) == 0 or (names[np.minimum(who, len(names) - 1)] != events["unit"].astype(str)).any()
    ):
        raise ValueError("an event belongs to a unit that was never under observation")
    age = events["age"].to_numpy(dtype=float)
    size = events["cost"].to_numpy(dtype=float) if "cost" in events else np.ones(len(events))
    ages, place = np.unique(age, return_inverse=True)
    risk = np.zeros((len(names), len(ages)))
    for u, a, b in zip(spell_unit, entry, end, strict=True):
        risk[
            u, np.searchsorted(ages, a, side="right" if a > 0 else "left") : np.searchsorted(ages, b, side="right")
        ] = 1.0
    inside = risk[who, place] > 0 if len(events) else np.zeros(0, dtype=bool)
    who, place, size = who[inside], place[inside], size[inside]
    amount = np.zeros((len(names), len(ages)))
    np.add.at(amount, (who, place), size)
    counts = np.bincount(place, minlength=len(ages))
    at_risk = risk.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where(at_risk > 0, amount.sum(axis=0) / at_risk, 0.0)
        influence = np.cumsum(np.where(at_risk > 0, risk * (amount - step) / at_risk, 0.0), axis=1)
        poisson = np.cumsum(np.where(at_risk > 0, (amount**2).sum(axis=0) / at_risk**2, 0.0))
        if "cost" not in events:
            poisson = np.cumsum(np.where(at_risk > 0, counts / at_risk**2, 0.0))
    return MeanCumulative(
        age=ages,
        mean=np.cumsum(step),
        variance=(influence**2).sum(axis=0),
        poisson_variance=poisson,
        at_risk=at_risk.astype(np.int64),
        events=counts.astype(np.int64),
        units=len(names),
        influence=influence,
    )


def difference(first: MeanCumulative, second: MeanCumulative, level: float = 0.90) -> pd.DataFrame:
    """First minus second at every event age of either, with its pointwise band: age, difference, lower, upper,
    standard_error.

    The two groups must be of different units (Nelson 2003, ch. 4; Doganaksoy & Nelson 1998).
    """
    ages = np.union1d(first.age, second.age)
    m1, s1 = first.at(ages)
    m2, s2 = second.at(ages)
    error = np.hypot(s1, s2)
    z = float(stats.norm.ppf((1 + level) / 2))
    gap = m1 - m2
    return pd.DataFrame(
        {"age": ages, "difference": gap, "lower": gap - z * error, "upper": gap + z * error, "standard_error": error}
    )


def failures_and_spells(
    teardowns: pd.DataFrame,
    units: pd.DataFrame,
    outcomes: pd.DataFrame | None = None,
    first_seen: pd.Series | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Recurrent events of units over their own mileage, from the life records.

    teardowns, units: the records of those names; an event is a teardown with reason failure or comeback and known
    mileage. With outcomes, one event per position found failed instead: component and family stand beside it.
    first_seen: mileage at first sight by unit, where known. Returns (events: family, unit, age, job, component;
    spells: family, unit, entry, end). A unit is watched from its mileage at first sight to today's; from 0 where that
    is unknown of a new one, else from its first known mileage, at which it was already open: what was found then is
    why we know the unit, and no part of what followed.
    """
    known = teardowns.loc[teardowns["mileage"].notna()]
    if outcomes is None:
        hits = known.loc[known["reason"].isin(["failure", "comeback"])]
        events = hits[["family", "unit", "mileage", "job"]].rename(columns={"mileage": "age"}).assign(component="")
    else:
        bad = outcomes.loc[(outcomes["verdict"] == "fail") & outcomes["mileage"].notna()]
        bad = bad.loc[bad["role"].fillna("") != "consequence"]
        events = bad[["family", "unit", "mileage", "job", "component"]].rename(columns={"mileage": "age"})
    first = known.groupby("unit")["mileage"].min()
    last = known.groupby("unit")["mileage"].max()
    spells = units[["family", "unit", "origin", "mileage"]].copy()
    given = np.full(len(spells), np.nan) if first_seen is None else spells["unit"].map(first_seen).to_numpy(dtype=float)
    opened = spells["unit"].map(first).to_numpy(dtype=float)
    unknown = np.where(spells["origin"].fillna("new") == "new", 0.0, np.fmin(opened, spells["mileage"].to_numpy(float)))
    spells["entry"] = np.where(np.isfinite(given), given, unknown)
    spells["end"] = np.fmax(spells["mileage"].to_numpy(dtype=float), spells["unit"].map(last).to_numpy(dtype=float))
    spells = spells.loc[spells["end"].notna()].copy()
    spells["entry"] = spells["entry"].fillna(0.0)
    events = events.loc[events["unit"].isin(spells["unit"])]
    return events.reset_index(drop=True), spells[["family", "unit", "entry", "end"]].reset_index(drop=True)
