"""Which part of a fleet a forecast is made from, and what its parts settle among themselves.

A fleet in one piece is the usual case; on a cluster each family is a piece (`fits.exchange`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from rebuildstats.demand.sums import Array
from rebuildstats.fits.exchange import Ask, Steps

if TYPE_CHECKING:
    from rebuildstats.history.known import History


@dataclass(frozen=True, slots=True)
class Piece:
    """places: the piece's families, each with its number among all of the fleet; vehicles: those whose mileage it
    speaks for, None for all that it knows."""

    places: Mapping[str, int]
    vehicles: frozenset[str] | None = None


def whole_fleet(history: History) -> Piece:
    """The fleet in one piece."""
    families = {*history.units["family"].dropna().astype(str), *history.components["family"].dropna().astype(str)}
    return Piece({family: i for i, family in enumerate(sorted(families))})


@dataclass(frozen=True, slots=True)
class PartsOfPiece:
    """own: the parts that the piece answers for, in their order (every part is one piece's: the first one's that uses
    it; one without a use goes round). modelled: all parts of the fleet with a use. shared: the piece's parts that other
    pieces use as well."""

    own: list[str]
    modelled: frozenset[str]
    shared: frozenset[str]


def parts_of_piece(parts: Sequence[str], used: set[str]) -> Steps[PartsOfPiece]:
    """Which of the fleet's parts are the piece's to answer for. used: those that its families use."""
    own: PartsOfPiece = yield Ask(_dealt, (list(parts), used))
    return own


def _dealt(owns: list[tuple[list[str], set[str]]]) -> list[PartsOfPiece]:
    users: dict[str, list[int]] = {}
    for i, (_, used) in enumerate(owns):
        for part in used:
            users.setdefault(part, []).append(i)
    own: list[list[str]] = [[] for _ in owns]
    for place, part in enumerate(owns[0][0]):
        own[users[part][0] if part in users else place % len(owns)].append(part)
    several = frozenset(part for part, places in users.items() if len(places) > 1)
    everywhere = frozenset(users)
    return [PartsOfPiece(mine, everywhere, several & used) for mine, (_, used) in zip(own, owns, strict=True)]


def earliest(own: Sequence[Any]) -> Steps[list[Any]]:
    """The first of the dates (or the least of the numbers) of all pieces, place by place; missing ones don't count."""
    least: list[Any] = yield Ask(_earliest, list(own))
    return least


def _earliest(owns: list[list[Any]]) -> list[list[Any]]:
    least = [min((x for x in column if pd.notna(x)), default=column[0]) for column in zip(*owns, strict=True)]
    return [least] * len(owns)


def sparse(table: pd.DataFrame) -> pd.DataFrame:
    """The rows in which there is anything."""
    return table[(table != 0).any(axis=1)]


def dense(tables: Sequence[pd.DataFrame], names: Sequence[str], columns: pd.Index[Any]) -> pd.DataFrame:
    """The sum of tables whose rows are some of `names`, with all of them as rows."""
    out: Array = np.zeros((len(names), len(columns)))
    at = {name: i for i, name in enumerate(names)}
    for table in tables:
        out[[at[name] for name in table.index]] += table.to_numpy(dtype=float)
    return pd.DataFrame(out, index=list(names), columns=columns)
