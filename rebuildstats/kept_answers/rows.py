"""The history and its life records as kept on a shelf, each table read when it is first asked for."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import fields
from datetime import date
from typing import Any, Final, cast

import pandas as pd

from rebuildstats.answers import Known
from rebuildstats.history.known import History
from rebuildstats.history.store import Settings
from rebuildstats.kept_answers.shelf import Shelf
from rebuildstats.life_records.records import Records

#: Tables by what they are asked for; a table sorted so is read in parts.
ORDER: Final = {
    "records.inspections": ["family", "point", "opened_on"],
    "records.outcomes": ["family", "component"],
    "records.lives": ["family", "component"],
    "records.positions": ["family", "unit"],
    "records.teardowns": ["unit", "opened_on"],
    "history.issued_parts": ["part", "issued_on"],
}
_OF_ONE_FAMILY: Final = ("lives", "unit_lives", "teardowns", "outcomes", "inspections", "units", "positions")


class _Tables:
    """Stands in for a `History` or `Records`: a table is read from the shelf when it is used, and then held."""

    def __init__(self, shelf: Shelf, kind: str, as_of: date, distance: str, where: Mapping[str, Mapping[str, str]]):
        self._shelf, self._kind, self._where = shelf, kind, where
        self.as_of, self.distance = as_of, distance

    def __getattr__(self, name: str) -> pd.DataFrame:
        if name.startswith("_"):
            raise AttributeError(name)
        table = f"{self._kind}.{name}"
        rows = self._shelf.rows(table, where=self._where.get(table))
        setattr(self, name, rows)
        return rows

    def with_ages(self, outcomes: pd.DataFrame, positions: pd.DataFrame) -> _Tables:
        """As `Records.with_ages`; what else is held or still to be read stays so."""
        twin = copy(self)
        vars(twin).update(outcomes=outcomes, positions=positions)
        return twin


def put_known(shelf: Shelf, known: Known) -> None:
    """Keep every table of a history and of its life records."""
    for kind, tables, which in (("history", known.history, History), ("records", known.records, Records)):
        for one in fields(which):
            rows = getattr(tables, one.name)
            if isinstance(rows, pd.DataFrame):
                name = f"{kind}.{one.name}"
                shelf.put_rows(name, rows, ORDER.get(name))


def of_family(family: str) -> dict[str, dict[str, str]]:
    """What to ask for where one family is looked at: its own rows, and of its outcomes only the failures."""
    where = {f"records.{name}": {"family": family} for name in _OF_ONE_FAMILY}
    return where | {"records.outcomes": {"family": family, "verdict": "fail"}}


def of_unit(unit: str) -> dict[str, dict[str, str]]:
    """What to ask for where the teardowns of one unit are looked at."""
    return {"records.teardowns": {"unit": unit}}


def take_known(shelf: Shelf, told: Mapping[str, Any], where: Mapping[str, Mapping[str, str]] | None = None) -> Known:
    """The kept history; each table is read when it is used, so that whoever asks little reads little.

    told: the ready answer `history`. where: `records.lives` -> column -> value that its rows must have.
    """
    settings = cast(Settings, told["settings"])
    as_of, distance = told["as_of"], settings.distance
    history = _Tables(shelf, "history", as_of, distance, where or {})
    records = _Tables(shelf, "records", as_of, distance, where or {})
    return Known(cast(History, history), cast(Records, records), settings)
