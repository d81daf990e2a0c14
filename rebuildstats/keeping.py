"""The public functions that keep a store in order; `commands` gives them out with the others."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import pandas as pd

from rebuildstats.answers import Answer
from rebuildstats.history import store as stores
from rebuildstats.history.corrections import Correction, undo_last_load, withdraw_teardown


def undo(store: str | Path) -> Answer:
    """Undo the last load, form or withdrawal that has not been undone; UsageError where there is nothing to undo."""
    return _corrected(undo_last_load(store))


def withdraw(store: str | Path, job: str) -> Answer:
    """Take a teardown, its findings and its issued parts out of the history; UsageError where there is no such job."""
    return _corrected(withdraw_teardown(store, job))


def settings(
    store: str | Path,
    *,
    comeback_distance: float | None = None,
    comeback_days: int | None = None,
    benches: bool | None = None,
) -> Answer:
    """The store's settings (setting, value), after changing those given. The unit of distance is fixed for good."""
    given = (comeback_distance, comeback_days, benches)
    if all(value is None for value in given):
        with stores.reading(store) as con:
            now = stores.settings(con)
    else:
        now = stores.change_settings(
            store, comeback_distance=comeback_distance, comeback_days=comeback_days, benches_shown=benches
        )
    rows = pd.DataFrame(
        [
            (name, f"{value:g}" if isinstance(value, float) else str(value).lower())
            for name, value in asdict(now).items()
        ],
        columns=["setting", "value"],
    )
    return Answer(rows, result=now)


def _corrected(done: Correction) -> Answer:
    rows = pd.DataFrame(list(done.rows.items()), columns=["table", "rows"])
    return Answer(rows, notes=(f"{done.what[0].upper()}{done.what[1:]}.",), result=done)
