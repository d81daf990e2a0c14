"""Cells and rows of frames as plain Python values."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd


def rows(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows as named tuples, without the index."""
    return frame.itertuples(index=False)


def text(value: Any) -> str:
    """A missing text is ''."""
    return "" if value is None or value is pd.NA or value != value else str(value)


def number(value: Any) -> float:
    """A missing number is nan."""
    return float("nan") if value is None or value is pd.NA else float(value)


def numbers(column: Any) -> npt.NDArray[np.float64]:
    """A column as floats of our own, missing ones nan."""
    return np.array(pd.to_numeric(column).to_numpy(dtype=float, na_value=np.nan), dtype=np.float64)


def sums(place: npt.NDArray[np.int64], weights: npt.ArrayLike | None, count: int) -> npt.NDArray[np.float64]:
    """Sum of `weights` (1 each when None) by place, as floats, for places 0 to count - 1."""
    return np.asarray(np.bincount(place, weights=weights, minlength=count), dtype=np.float64)


def texts(column: Any) -> npt.NDArray[np.object_]:
    """A text column as objects, missing ones ''."""
    values = column.astype(object)
    return np.asarray(values.where(values.notna(), "").astype(str), dtype=object)


def flag(value: Any) -> bool:
    """A missing flag is False."""
    return not (value is None or value is pd.NA or value != value) and bool(value)
