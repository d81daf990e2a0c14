"""The public functions for names written in two ways and for who changed what; `commands` gives them out too."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from rebuildstats.answers import Answer
from rebuildstats.history import corrections, past
from rebuildstats.history import joins as names
from rebuildstats.history import store as stores
from rebuildstats.history.corrections import Correction

COLUMNS = ("state", "kind", "one", "other", "rows_one", "rows_other", "seen_one", "seen_other", "against")


def joins(store: str | Path) -> Answer:
    """Serials, parts and vehicles that look alike, with what speaks for and against their being one; and those that a
    person joined.

    Columns state (`look alike`, `joined`), kind, one, other, rows_one, rows_other (how often each is named), seen_one,
    seen_other (from when to when), against (what speaks against it, empty: nothing); for a join, who, at (UTC) and what
    was said. Nothing is joined by looking.
    """
    with stores.reading(store) as con:
        pairs = names.look_alikes(con)
        joined = names.joined_names(con)
    done = pd.DataFrame(
        [("joined", j.kind, j.kept, j.name, j.who, j.joined_at, j.what) for j in joined],
        columns=["state", "kind", "one", "other", "who", "at", "what"],
    )
    rows = pd.concat([pairs.assign(state="look alike"), done], ignore_index=True)
    rows = rows.reindex(columns=[*COLUMNS, "who", "at", "what"])
    types = {c: "Int64" if c.startswith("rows_") else "datetime64[us]" if c == "at" else "str" for c in rows.columns}
    note = (
        f"{len(pairs)} pairs look alike, {len(joined)} are joined. `rebuildstats join KIND ONE OTHER --why ...` joins, "
        "`rebuildstats unjoin KIND OTHER --why ...` undoes it."
    )
    return Answer(rows.astype(types), notes=(note,), result=(pairs, joined))


def join(store: str | Path, kind: str, one: str, other: str, *, why: str, who: str | None = None) -> Answer:
    """Say that two names are one: every row of `other` counts under `one`, now and in later loads, until it is undone.

    kind: unit, part or vehicle. why: kept with who and when. The notes say which files hold rows that were rejected
    because they say `other`: loaded again they go in. Raises UsageError for names that are not there, or where
    the rows of the two contradict each other.
    """
    return _told(names.join_names(store, kind, one, other, who, why=why))


def unjoin(store: str | Path, kind: str, other: str, *, why: str, who: str | None = None) -> Answer:
    """Undo a join: every row stands under the name it was written with, also those that came since.

    Raises UsageError where `other` is joined to nothing.
    """
    return _told(names.part_names(store, kind, other, who, why=why))


def changes(store: str | Path, job: str | None = None) -> Answer:
    """Who changed the history, when and how: every load, form, withdrawal, join and undoing, the newest first; or, for
    one job, every change of its rows with what stood there before.

    Raises UsageError for a job that never was.
    """
    with stores.reading(store) as con:
        return Answer(corrections.book_of_loads(con) if job is None else past.changes_of_job(con, job))


def _told(done: Correction) -> Answer:
    rows = pd.DataFrame(list(done.rows.items()), columns=["table", "rows"])
    return Answer(rows, notes=(f"{done.what[0].upper()}{done.what[1:]}.", *done.notes), result=done)
