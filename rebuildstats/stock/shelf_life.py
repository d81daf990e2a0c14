"""What a shelf life allows to be held: no more than will be used before it goes out of date."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rebuildstats.stock.job_fill import Wants

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_USED = 0.9  # all pieces of a level are used in time in nine futures of ten
UNLIMITED = np.iinfo(np.int64).max


def used_within(wants: Wants, life: Floats) -> Floats:
    """Pieces of each item used within its shelf life (days; NaN: none), one row a future: (draws, items).

    A life longer than the horizon is filled with further futures, each a whole horizon, and the part of one that is
    left.
    """
    whole = np.zeros((wants.draws, wants.items))
    np.add.at(whole, (wants.draw, wants.item), wants.quantity)
    times = np.nan_to_num(life) / wants.days
    rest = np.zeros_like(whole)
    near = wants.day < (times % 1.0)[wants.item] * wants.days
    np.add.at(rest, (wants.draw[near], wants.item[near]), wants.quantity[near])
    used = rest
    for k in range(int(np.floor(times).max(initial=0.0))):
        used = used + np.where(times >= k + 1, np.roll(whole, k + 1, axis=0), 0.0)
    return used


def most_in_date(wants: Wants, life: Floats) -> Ints:
    """Per item, the highest level of which no piece goes out of date in nine futures of ten (first in, first out)."""
    limited = ~np.isnan(life)
    most = np.full(wants.items, UNLIMITED, np.int64)
    if limited.any():
        use = np.quantile(used_within(wants, life)[:, limited], 1 - _USED, axis=0, method="lower")
        most[limited] = np.floor(use + 1e-9).astype(np.int64)
    return most


def out_of_date(wants: Wants, life: Floats, held: Floats) -> Floats:
    """Expected pieces of `held` (items,) that go out of date before they are used; 0 without a shelf life."""
    if np.isnan(life).all() or not wants.draws:
        return np.zeros(wants.items)
    left = np.clip(held[None, :] - used_within(wants, life), 0.0, None).mean(axis=0)
    return np.asarray(np.where(np.isnan(life), 0.0, left))
