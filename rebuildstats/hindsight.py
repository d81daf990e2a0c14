"""How each method would have done on the shop's own past: the store as it was known then, fitted anew."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from rebuildstats import desks
from rebuildstats.answers import Answer, Known, Progress, known
from rebuildstats.demand.backtest import backtest as look_back
from rebuildstats.demand.backtest import origins_before
from rebuildstats.errors import NothingToComputeError
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.history import store as stores
from rebuildstats.history.days import AsKnown
from rebuildstats.history.known import History, first_load
from rebuildstats.life_records.records import Records
from rebuildstats.reports import sentences

_HORIZONS = (12, 6, 3)  # months a backtest looks ahead: the longest that the past has room for


def backtest_of(store: str | Path, now: Known, *, progress: Progress | None = None) -> Answer:
    """Every method's forecasts from what stood in the history on past days against what came.

    Past days are looked at as they were true; where `now` was asked as known (`AsKnown`), as this store knew them then.
    Raises NothingToComputeError without parts, or where the history (or what was known of it) is too short for it.
    """
    as_known = isinstance(now.as_of, AsKnown)
    if now.history.parts.empty or now.records.teardowns.empty:
        raise NothingToComputeError(
            "Looking back needs teardowns and parts: load `teardowns`, `parts` and `part_uses`."
        )
    first = now.records.teardowns["opened_on"].min().date()
    months, origins = _HORIZONS[0], []
    for months in _HORIZONS:
        origins = origins_before(first, now.as_of, months=months)
        if origins:
            break

    if as_known:
        with stores.reading(store) as con:
            since = first_load(con)
        origins = [day for day in origins if since is not None and day >= since]
        if not origins:
            raise NothingToComputeError(
                f"The first load of this store is of {since}: what was known before it cannot be looked back on. "
                "Without `known:` the backtest looks at past days as they were true."
            )

    def history_at(day: date) -> tuple[History, Records]:
        then = known(store, as_of=AsKnown.of(day) if as_known else day)
        return then.history, then.records

    def fit_then(history: History, records: Records) -> tuple[Any, Any]:
        return fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)

    done = look_back(
        history_at, fit_then, origins, (now.history, now.records), months=months, seed=desks.SEED, progress=progress
    )
    notes = [
        sentences.looked_back_words(as_known=as_known),
        *(sentences.method_words(row) for row in done.by_method().to_dict("records")),
    ]
    return Answer(done.frame(), notes=tuple(notes), result=done)
