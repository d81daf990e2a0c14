"""What an order is to reach, and what may be supposed for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import pandas as pd

from rebuildstats.errors import UsageError


@dataclass(frozen=True, slots=True)
class PartFill:
    """Least money with which every part serves this share of its pieces from the shelf."""

    share: float

    def __post_init__(self) -> None:
        _share(self.share, "part fill")

    def words(self) -> str:
        return f"part fill rate {self.share:g}"


@dataclass(frozen=True, slots=True)
class JobFill:
    """Least money with which this share of the teardowns has every part it needs on the shelf."""

    share: float

    def __post_init__(self) -> None:
        _share(self.share, "job fill")

    def words(self) -> str:
        return f"job fill rate {self.share:g}"


@dataclass(frozen=True, slots=True)
class Budget:
    """The best job fill rate for this money."""

    money: float

    def __post_init__(self) -> None:
        if not np.isfinite(self.money) or self.money < 0:
            raise UsageError(f"the budget must be zero or more, not {self.money:g}")

    def words(self) -> str:
        return f"budget {self.money:,.2f}"


Goal = PartFill | JobFill | Budget


def _share(share: float, name: str) -> None:
    if not 0 < share < 1:
        raise UsageError(f"the {name} rate must lie between 0 and 1, such as 0.9, not {share:g}")


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Suppositions; the default supposes nothing. The store is never touched.

    lead_time: factor on every lead time, or part -> factor. price: factor on every price, or part -> price.
    level: (part, site) -> order-up-to level held fixed instead of the computed one. fleet: factor on the number of
    units. mileage: factor on the distance run a day.
    """

    lead_time: float | Mapping[str, float] = 1.0
    price: float | Mapping[str, float] = 1.0
    level: Mapping[tuple[str, str], int] = field(default_factory=dict)
    fleet: float = 1.0
    mileage: float = 1.0

    def __post_init__(self) -> None:
        for name, value in (("fleet", self.fleet), ("mileage", self.mileage)):
            if not np.isfinite(value) or value <= 0:
                raise UsageError(f"the {name} factor must be above zero, not {value:g}")
        if any(level < 0 for level in self.level.values()):
            raise UsageError("a level to suppose must be zero or more")

    def lead_factor(self, part: str) -> float:
        return float(self.lead_time.get(part, 1.0)) if isinstance(self.lead_time, Mapping) else float(self.lead_time)

    def priced(self, part: str, unit_cost: float) -> float:
        if isinstance(self.price, Mapping):
            return float(self.price.get(part, unit_cost))
        return unit_cost * float(self.price)


class StockHistory(Protocol):
    """The tables of a history that orders are made from (columns as in history/contract.py), known at `as_of`."""

    @property
    def parts(self) -> pd.DataFrame: ...
    @property
    def part_uses(self) -> pd.DataFrame: ...
    @property
    def components(self) -> pd.DataFrame: ...
    @property
    def stock(self) -> pd.DataFrame: ...
    @property
    def orders(self) -> pd.DataFrame: ...
    @property
    def issued_parts(self) -> pd.DataFrame: ...
    @property
    def sites(self) -> pd.DataFrame: ...
    @property
    def planned(self) -> pd.DataFrame: ...
    @property
    def teardowns(self) -> pd.DataFrame: ...
    @property
    def as_of(self) -> object: ...


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
        while left > 0:
            chosen = np.ones(count, bool) if left >= 1 else rng.random(count) < left
            part = frame[chosen[ids]].copy()
            part["draw"] = (part["draw"] + shift) % draws
            if shift and part["teardown"].notna().any():
                # a number of its own for every laid-over teardown
                known = part["teardown"].notna()
                part.loc[known, "teardown"] = (
                    [f"{t}+{shift}" for t in part.loc[known, "teardown"]]
                    if part["teardown"].dtype == object or isinstance(part["teardown"].dtype, pd.StringDtype)
                    else (part.loc[known, "teardown"] + shift * (int(frame["teardown"].max()) + 1))
                )
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
