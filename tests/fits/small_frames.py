"""Small frames in the shape of the history and the life records, for tests of the fits."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rebuildstats.history.contract import TABLE_BY_NAME

KINDS = {
    "text": "str",
    "word": "str",
    "number": "float64",
    "whole": "float64",
    "date": "datetime64[us]",
    "flag": "boolean",
}


def history_table(name: str, rows: list[dict[str, object]]) -> pd.DataFrame:
    """A contract table with its defaults applied, as `history_frames` gives it."""
    table = TABLE_BY_NAME[name]
    frame = pd.DataFrame(rows, columns=[c.name for c in table.columns])
    for column in table.columns:
        values = frame[column.name]
        if column.default is not None:
            default = {"false": False, "1": 1}.get(column.default, column.default)
            values = values.astype(object).where(values.notna(), default)
        frame[column.name] = values.astype(KINDS[column.kind])
    return frame


INSPECTION = {
    "job": "str",
    "unit": "str",
    "family": "str",
    "component": "str",
    "point": "str",
    "position": "int64",
    "opened_on": "datetime64[us]",
    "age": "float64",
    "unit_age": "float64",
    "reading": "float64",
    "condition": "str",
    "verdict": "str",
    "action": "str",
    "role": "str",
    "part": "str",
    "quantity": "float64",
    "site": "str",
    "bench": "str",
    "scope": "str",
    "reason": "str",
}


def inspections(rows: list[dict[str, object]] | pd.DataFrame) -> pd.DataFrame:
    frame = pd.DataFrame(rows)
    for name, kind in INSPECTION.items():
        if name not in frame:
            default: object = {"position": 1, "scope": "rebuild", "reason": "scheduled"}.get(name)
            frame[name] = default if default is not None else (np.nan if kind == "float64" else None)
        if kind == "int64":
            frame[name] = frame[name].fillna(1)
        frame[name] = frame[name].astype(kind)
    return frame[list(INSPECTION)]


class KnownLife:
    """A Weibull life whose draws spread in log scale: stands where a fitted life would."""

    events, lives = 30, 100

    def __init__(self, scale: float, shape: float, spread: float = 0.1) -> None:
        self.scale, self.shape, self.spread = scale, shape, spread

    def chance(self, age, covariates=None):
        return -np.expm1(-((np.asarray(age, dtype=float) / self.scale) ** self.shape))

    def draws(self, n, seed):
        scales = self.scale * np.exp(self.spread * np.random.default_rng(seed).standard_normal(n))

        class _Draws:
            def __init__(self, shape):
                self.shape = shape

            def log_survival(self, age, covariates=None):
                return -((np.asarray(age, dtype=float)[None, :] / scales[:, None]) ** self.shape)

        return _Draws(self.shape)
