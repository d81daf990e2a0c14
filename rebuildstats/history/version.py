"""Which history a store holds, as a short text: what answers kept beside it are known by."""

from __future__ import annotations

from pathlib import Path

from rebuildstats.history import store as stores
from rebuildstats.history.statements import statement


def history_version(path: str | Path) -> str:
    """A text that changes with every load, form, withdrawal, undo and setting, and with nothing else.

    Fits that are kept in the store don't change it, unlike `store.data_version`. Raises as `store.reading` does.
    """
    with stores.reading(path) as con:
        ((version,),) = con.execute(statement("store/history_version")).fetchall()
    return str(version)
