"""What an order is to reach, and the tables that it is made from."""

from __future__ import annotations

from dataclasses import dataclass
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
