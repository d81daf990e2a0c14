"""The public functions, one per command: open the store, read frames, call pure code, give a result.

No arithmetic and no printing here. Every function takes the store's path first; those that compute take `as_of`, the
day whose knowledge is used (default: the last day of the history). Each gives an `Answer`: the frame with the
contract's columns, the words that belong before and after it, and the result object behind it for whoever wants more
(figures, other programs). Errors are those of `rebuildstats.errors`, whose messages say what to do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from rebuildstats.history import store as stores
from rebuildstats.history.known import History, history_frames, know
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records

# (done, of, what): how far a long command has come.
Progress = Callable[[float, float, str], None]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a command answers.

    rows: the frame with the contract's columns first. first, last: words that stand before and after it (cautions
    first, the maker's limit last). notes: what the person should know besides. rows_left: some rows were rejected or
    held. result: the object the frame came from.
    """

    rows: pd.DataFrame
    first: tuple[str, ...] = ()
    last: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    rows_left: bool = False
    result: Any = None

    def frame(self) -> pd.DataFrame:
        return self.rows


@dataclass(frozen=True, slots=True)
class Known:
    """The history and its life records as known on one day, with the shop's settings: what answers are made from."""

    history: History
    records: Records
    settings: stores.Settings

    @property
    def as_of(self) -> date:
        return self.history.as_of


def known(store: str | Path, *, as_of: date | None = None) -> Known:
    """Read the history as known on `as_of` and make its life records.

    Raises StoreError, StoreBusyError; NothingToComputeError where the history is empty.
    """
    with stores.reading(store) as con:
        settings = stores.settings(con)
        day = know(con, as_of)
        history = history_frames(con, day, settings.distance)
        records = build(con, day, settings.distance)
    return Known(history=history, records=records, settings=settings)


def init(store: str | Path, *, distance: str) -> Answer:
    """Make a new, empty store whose distances are in `distance` (mi, km or h)."""
    stores.create(store, distance)
    return Answer(pd.DataFrame({"store": [str(store)], "distance": [distance]}))


def lives(store: str | Path, *, units: bool = False, as_of: date | None = None) -> Answer:
    """The life records of component positions, or with `units` of whole units; notes count what became of all."""
    records = known(store, as_of=as_of).records
    rows = records.unit_lives if units else records.lives
    notes = tuple(
        f"{row['step']}: {row['what']}: {row['count']:,}" for row in records.counts.to_dict("records") if row["count"]
    )
    return Answer(rows, notes=notes, result=records)
