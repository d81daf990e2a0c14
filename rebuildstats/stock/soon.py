"""What the coming lead time wants, which is what today's order must cover, and the levels that follow from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.stock.job_fill import Wants

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REVIEW_DAYS = 7.0  # orders are taken to be placed once a week (common practice, no source)
_SURE = 2.5  # standard errors by which the coming lead time must differ from the year before a level follows it
_LIKELY = 0.5  # a part that is not stocked is ordered ahead when it is this likely to be wanted before it could come


@dataclass(frozen=True, slots=True)
class Soon:
    """The pieces wanted from today until an order placed today arrives. mean, error (items,): expected pieces and the
    standard error of that; pieces (draws, items): each future's pieces, its lead time drawn."""

    mean: Floats
    error: Floats
    pieces: Floats

    def quantile(self, chance: float) -> Floats:
        """Per item the least number of pieces that is not exceeded with this chance."""
        return np.asarray(np.quantile(self.pieces, chance, axis=0, method="inverted_cdf"))


def coming_demand(wants: Wants, lead_pmfs: Sequence[Floats], *, start: float = 0.0, seed: int = 0) -> Soon:
    """Pieces wanted during the lead time that begins `start` days from today, by item.

    A want counts when it comes after that day and before an order placed on it does. The mean takes each want with the
    chance of that; the spread over the futures draws one lead time per future and item.
    """
    rng = np.random.default_rng(seed)
    longest = max((len(pmf) for pmf in lead_pmfs), default=1)
    later = np.zeros((wants.items, longest + 1))  # chance that an order takes more than k whole days
    for i, pmf in enumerate(lead_pmfs):
        later[i, : len(pmf)] = 1.0 - np.cumsum(pmf)
    days = np.minimum(np.floor(wants.day - start).astype(np.int64), longest)
    late = np.where(days >= 0, later[wants.item, days], 0.0)
    mean = np.bincount(wants.item, weights=wants.quantity * late, minlength=wants.items)
    # a lead time of L days covers the days 0 .. L - 1: L > k exactly when the draw lies below the chance of that
    luck = rng.random((wants.draws, wants.items))
    within = luck[wants.draw, wants.item] < late
    pieces = np.zeros((wants.draws, wants.items))
    np.add.at(pieces, (wants.draw[within], wants.item[within]), wants.quantity[within])
    error = pieces.std(axis=0) / np.sqrt(max(wants.draws, 1))
    return Soon(mean / max(wants.draws, 1), error, pieces)


def levels_today(levels: Ints, wants: Wants, lead_times: Sequence[Soon]) -> Ints:
    """The highest of the levels that cover each of these lead times: today's, and the next order's."""
    return np.asarray(np.max([_levels_of(levels, wants, soon) for soon in lead_times], axis=0), np.int64)


def _levels_of(levels: Ints, wants: Wants, soon: Soon) -> Ints:
    """The levels that cover the coming lead time as surely as `levels` cover the year's.

    A level protects against what is outstanding at a random moment of the year with some chance; where the coming lead
    time wants clearly more or less than that (booked teardowns, a campaign, an ageing fleet), the level of today is the
    one that protects against it with the same chance. A part with no level is ordered ahead only when it is more likely
    than not to be wanted before an order could come.
    """
    today = levels.copy()
    for i in np.unique(wants.item):
        pmf = wants.state.of(int(i))
        usual = float(np.arange(len(pmf)) @ pmf)
        if abs(soon.mean[i] - usual) <= _SURE * soon.error[i] + 1e-9:
            continue
        level = int(levels[i])
        if level == 0:
            today[i] = (
                int(np.quantile(soon.pieces[:, i], _LIKELY, method="inverted_cdf")) if soon.mean[i] > usual else 0
            )
            continue
        covered = np.cumsum(pmf)
        # between the chances of this level and of one piece less, so that a like demand keeps a like level
        sure = (covered[min(level, len(pmf)) - 1] + (covered[min(level - 1, len(pmf)) - 1] if level > 1 else 0.0)) / 2
        today[i] = 1 + int(np.quantile(soon.pieces[:, i], min(sure, 1.0), method="inverted_cdf"))
    return today


def on_booked_days(futures: pd.DataFrame, planned: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """The futures with each booked unit's teardown on the day it is booked for.

    A forecast by months spreads a month's teardowns over it; a unit that is booked is opened on its day. Teardowns of
    the unit in the month of its booking move there.
    """
    booked = planned[planned["unit"].notna()]
    due = pd.to_datetime(booked["due_on"])
    ahead = (due - as_of).dt.days
    booked = booked.assign(month=due.dt.to_period("M"), ahead=ahead)[ahead > 0]
    if not len(booked) or not len(futures):
        return futures
    mine = futures["unit"].isin(booked["unit"])
    on = as_of + pd.to_timedelta(np.ceil(futures.loc[mine, "day"]).clip(lower=1), unit="D")
    key = pd.MultiIndex.from_arrays([futures.loc[mine, "unit"], on.dt.to_period("M")])
    days = booked.drop_duplicates(["unit", "month"]).set_index(["unit", "month"])["ahead"].reindex(key)
    moved = pd.Series(days.to_numpy(float) - 0.5, index=futures.index[mine.to_numpy()]).dropna()
    day = futures["day"].copy()
    day.loc[moved.index] = moved
    return futures.assign(day=day)
