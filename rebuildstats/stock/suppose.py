"""What may be supposed for an order: other lead times, prices, levels, another fleet, more or less distance a day."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from rebuildstats.errors import UsageError

EVERY = ""  # the part, or the shelf, that stands for all of them
_HOW = (
    "lead-time=+10 (days), lead-time:PART=30, price=+5%, price:PART=120, level:PART@SHELF=4, fleet=+20%, mileage=x1.5"
)
_NUMBER = re.compile(r"^(?P<sign>[+-]?|x)(?P<digits>\d+(\.\d+)?)(?P<percent>%?)$")


@dataclass(frozen=True, slots=True)
class Change:
    """A supposed change of a number that is not negative: `instead` of it or `times` it, `plus` so much."""

    times: float = 1.0
    plus: float = 0.0
    instead: float | None = None

    def of(self, value: float) -> float:
        return max((value * self.times if self.instead is None else self.instead) + self.plus, 0.0)


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Suppositions; the default supposes nothing. The store is never touched.

    lead_time, price: part (EVERY: all parts not named) -> change of its days, of its price per piece. level: (part,
    shelf or EVERY) -> order-up-to level held instead of the computed one. fleet: factor on the number of units.
    mileage: factor on the distance run a day.
    """

    lead_time: Mapping[str, Change] = field(default_factory=dict)
    price: Mapping[str, Change] = field(default_factory=dict)
    level: Mapping[tuple[str, str], int] = field(default_factory=dict)
    fleet: float = 1.0
    mileage: float = 1.0

    def __post_init__(self) -> None:
        for name, value in (("fleet", self.fleet), ("mileage", self.mileage)):
            if not np.isfinite(value) or value <= 0:
                raise UsageError(f"the {name} factor must be above zero, not {value:g}")
        if any(level < 0 for level in self.level.values()):
            raise UsageError("a level to suppose must be zero or more")

    def lead(self, part: str, days: float, sd: float) -> tuple[float, float]:
        """Mean and spread of a part's lead time; the spread keeps its share of the mean unless days are added."""
        change = self.lead_time.get(part, self.lead_time.get(EVERY, Change()))
        grown = Change(change.times, 0.0, change.instead).of(days)
        return change.of(days), sd * (grown / days if days > 0 else 1.0)

    def priced(self, part: str, unit_cost: float) -> float:
        change = self.price.get(part, self.price.get(EVERY))
        return unit_cost if change is None else change.of(unit_cost)

    def parts(self) -> set[str]:
        """Every part named."""
        return {*self.lead_time, *self.price, *(part for part, _ in self.level)} - {EVERY}


def what_if_of(texts: Iterable[str]) -> WhatIf | None:
    """Suppositions written as text, such as `lead-time=+10`; None for none. UsageError for what can't be read."""
    lead_time: dict[str, Change] = {}
    price: dict[str, Change] = {}
    level: dict[tuple[str, str], int] = {}
    factors: dict[str, float] = {}
    for text in texts:
        left, equals, right = text.rpartition("=")
        what, _, subject = left.partition(":")
        of_part = what in ("lead-time", "price", "level")
        known = of_part or what in ("fleet", "mileage")
        if not (equals and known) or (subject and not of_part) or (what == "level" and not subject):
            raise UsageError(f"`{text}` is no supposition. Write one of: {_HOW}.")
        change = _change(text, right)
        if what == "lead-time":
            lead_time[subject] = change
        elif what == "price":
            price[subject] = change
        elif what == "level":
            part, _, shelf = subject.partition("@")
            level[part, shelf] = _whole(text, change)
        else:
            factors[what] = _factor(text, change)
    found = WhatIf(lead_time, price, level, **factors)
    return None if found == WhatIf() else found


def _change(text: str, value: str) -> Change:
    """+10, -10: so much more or less; +10%, -10%, x1.5: by a factor; 30: instead."""
    match = _NUMBER.match(value.strip())
    if match is None:
        raise UsageError(f"`{text}`: `{value}` is no change. Write +10, -10, +10%, x1.5 or a number to take instead.")
    number, sign = float(match["digits"]), match["sign"]
    if match["percent"]:
        if sign not in ("+", "-"):
            raise UsageError(f"`{text}`: say +{number:g}% or -{number:g}%.")
        return Change(times=max(1 + (number if sign == "+" else -number) / 100, 0.0))
    if sign == "x":
        return Change(times=number)
    return Change(instead=number) if not sign else Change(plus=number if sign == "+" else -number)


def _whole(text: str, change: Change) -> int:
    if change.instead is None or change.instead != round(change.instead):
        raise UsageError(f"`{text}`: a level is a whole number of pieces.")
    return int(change.instead)


def _factor(text: str, change: Change) -> float:
    if change.instead is not None or change.plus:
        raise UsageError(f"`{text}`: say +20%, -20% or x1.2.")
    return change.times


def suppose(
    futures: pd.DataFrame, what_if: WhatIf, *, draws: int, days: float, seed: int
) -> tuple[pd.DataFrame, float]:
    """The sampled futures of another fleet size or mileage, and the days they span.

    A larger fleet: teardowns and counter sales of another future are laid over each (units of the same kind, at
    independent moments); a smaller one: some are struck out by chance. More distance a day: the same teardowns come
    in fewer days.
    """
    frame = futures
    if what_if.fleet != 1.0:
        rng = np.random.default_rng(seed)
        copies = []
        left, shift = what_if.fleet, 0
        ids = _event_ids(frame)
        count = int(ids.max(initial=-1)) + 1
        numbers = int(frame["teardown"].max()) + 1 if frame["teardown"].notna().any() else 0
        while left > 0:
            chosen = np.ones(count, bool) if left >= 1 else rng.random(count) < left
            part = frame[chosen[ids]].copy()
            part["draw"] = (part["draw"] + shift) % draws
            part["teardown"] += shift * numbers  # a number of its own for every laid-over teardown
            copies.append(part)
            left, shift = left - 1, shift + 1
        frame = pd.concat(copies, ignore_index=True)
    if what_if.mileage != 1.0:
        frame = frame.assign(day=frame["day"] / what_if.mileage)
        days = days / what_if.mileage
    return frame, days


def _event_ids(frame: pd.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """A number per teardown, and one of its own for every row without one."""
    teardown = pd.factorize(frame["teardown"])[0]
    key = frame["draw"].to_numpy(np.int64) * (teardown.max(initial=0) + 1) + teardown
    key = np.where(teardown < 0, -1 - np.arange(len(frame)), key)
    return np.unique(key, return_inverse=True)[1].astype(np.int64)
