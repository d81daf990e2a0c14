"""An invented shop for the stock tests: parts, a stock count and sampled futures whose truth is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from rebuildstats.history.contract import TABLE_BY_NAME

AS_OF = date(2026, 3, 31)
_DTYPES = {
    "text": "str",
    "word": "str",
    "number": "float64",
    "whole": "Int64",
    "date": "datetime64[us]",
    "flag": "bool",
}


def table(name: str, rows: Sequence[Mapping[str, Any]] = ()) -> pd.DataFrame:
    """A contract table from dictionaries, its empty cells missing, its defaults applied."""
    columns = TABLE_BY_NAME[name].columns
    frame = pd.DataFrame(list(rows), columns=[c.name for c in columns])
    for column in columns:
        if column.default is not None:
            fill: Any = {"false": False, "true": True}.get(column.default, column.default)
            if column.kind in ("number", "whole"):
                fill = float(fill)
            frame[column.name] = frame[column.name].astype(object).where(frame[column.name].notna(), fill)
        if column.kind == "date":
            frame[column.name] = pd.to_datetime(frame[column.name])
        frame[column.name] = frame[column.name].astype(_DTYPES[column.kind])
    return frame


@dataclass
class Shop:
    """The tables that an order is made from."""

    parts: pd.DataFrame
    part_uses: pd.DataFrame = field(default_factory=lambda: table("part_uses"))
    components: pd.DataFrame = field(default_factory=lambda: table("components"))
    stock: pd.DataFrame = field(default_factory=lambda: table("stock"))
    orders: pd.DataFrame = field(default_factory=lambda: table("orders"))
    issued_parts: pd.DataFrame = field(default_factory=lambda: table("issued_parts"))
    sites: pd.DataFrame = field(default_factory=lambda: table("sites"))
    planned: pd.DataFrame = field(default_factory=lambda: table("planned"))
    teardowns: pd.DataFrame = field(default_factory=lambda: table("teardowns"))
    as_of: date = AS_OF


def shop(**tables: Sequence[Mapping[str, Any]]) -> Shop:
    return Shop(**{name: table(name, rows) for name, rows in tables.items()})


FUTURES = ["draw", "day", "teardown", "unit", "family", "shelf", "part", "quantity"]


def futures(rows: Sequence[Sequence[Any]]) -> pd.DataFrame:
    """Sampled futures from (draw, day, teardown, unit, family, shelf, part, quantity)."""
    frame = pd.DataFrame(list(rows), columns=FUTURES)
    for column in ("unit", "family", "shelf", "part"):
        frame[column] = frame[column].astype("str")
    return frame.astype({"draw": "int64", "day": "float64", "quantity": "float64", "teardown": "Int64"})


def sampled(
    rng: np.random.Generator,
    chances: Mapping[str, float],
    *,
    teardowns_a_year: float,
    draws: int,
    days: int,
    quantity: Mapping[str, int] | None = None,
    family: str = "K20",
    shelf: str = "",
    sales_a_year: Mapping[str, float] | None = None,
    first: int = 0,
) -> pd.DataFrame:
    """Futures in which teardowns come as a Poisson stream and need each part independently with its chance."""
    quantity = quantity or {}
    blocks: list[tuple[int, str | None, float, np.ndarray, np.ndarray]] = []  # draw, part, pieces, days, teardowns
    for draw in range(draws):
        n = rng.poisson(teardowns_a_year * days / 365)
        day = rng.uniform(0, days, n)
        for part, chance in chances.items():
            hit = np.flatnonzero(rng.random(n) < chance)
            blocks.append((draw, part, float(quantity.get(part, 1)), day[hit], first + hit))
        blocks.append((draw, None, np.nan, day, first + np.arange(n)))
        for part, rate in (sales_a_year or {}).items():
            k = rng.poisson(rate * days / 365)
            blocks.append((draw, part, 1.0, rng.uniform(0, days, k), np.full(k, -1)))
    draw_of, part_of, pieces_of, days_of, teardowns_of = zip(*blocks, strict=True)
    size = [len(d) for d in days_of]
    teardown = pd.Series(np.concatenate(teardowns_of), dtype="Int64")
    frame = pd.DataFrame(
        {
            "draw": np.repeat(draw_of, size),
            "day": np.concatenate(days_of),
            "teardown": teardown.mask(teardown < 0),
            "part": pd.Series(np.repeat(np.array(part_of, dtype=object), size), dtype="str"),
            "quantity": np.repeat(pieces_of, size),
        }
    )
    frame["unit"] = "U" + frame["teardown"].astype("str")
    frame["family"] = family
    frame["shelf"] = shelf
    return frame[FUTURES].astype({"unit": "str", "family": "str", "shelf": "str"})
