"""Readings made comparable before they are fitted: other units converted, impossible ones set aside. Nothing is
deleted.

A finding carries a number and its point names the unit, but a gauge in millimetres beside one in inches is common. A
reading that lies far outside what the point ever shows, and falls among the others once multiplied by the factor
between two units of its own dimension, is converted. One that no instrument could give (not a number, negative where
nothing else is, ten spans outside) is set aside and listed with its reason.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]

FACTORS: dict[str, dict[str, float]] = {
    "mm": {"in": 25.4, "um": 0.001, "cm": 10.0},
    "in": {"mm": 1 / 25.4, "thou": 0.001},
    "thou": {"in": 1000.0, "mm": 1000 / 25.4},
    "um": {"mm": 1000.0, "in": 25400.0},
    "lbf": {"N": 1 / 4.4482216, "ozf": 1 / 16, "kgf": 2.2046226},
    "N": {"lbf": 4.4482216, "kgf": 9.80665},
    "psi": {"kPa": 1 / 6.894757, "bar": 14.503774},
    "kPa": {"psi": 6.894757, "bar": 100.0},
    "bar": {"psi": 1 / 14.503774, "kPa": 0.01},
}
"""unit of the point -> other unit -> what a number in the other unit is multiplied by. Only factors far from 1 can be
told."""

_SAME = {
    "inch": "in",
    "inches": "in",
    '"': "in",
    "mil": "thou",
    "µm": "um",
    "micron": "um",
    "lb": "lbf",
    "lbs": "lbf",
    "newton": "N",
    "n": "N",
    "kpa": "kPa",
}


def screen_readings(
    reading: Array, *, unit: str = "", as_new: float = np.nan, low_limit: float = np.nan, high_limit: float = np.nan
) -> pd.DataFrame:
    """One point's readings, in order: `value` (converted; nan where set aside), `converted_from`, `set_aside` (reason
    or NA)."""
    value = np.array(reading, dtype=float)
    converted = np.full(len(value), "", dtype=object)
    aside = np.full(len(value), "", dtype=object)
    aside[~np.isfinite(value)] = "not a number"
    good = np.isfinite(value)
    if good.any():
        anchors = [a for a in (as_new, low_limit, high_limit) if np.isfinite(a)]
        q10, q90 = np.quantile(value[good], [0.1, 0.9])
        low, high = min([*anchors, q10]), max([*anchors, q90])
        span = max(high - low, 1e-9 + 0.05 * max(abs(high), abs(low)))
        outside = good & ((value > high + 1.5 * span) | (value < low - 1.5 * span) | _tiny(value, low, span))
        name = _SAME.get(str(unit).strip().lower(), str(unit).strip())
        for other, factor in FACTORS.get(name, {}).items():
            moved = value * factor
            fits = outside & (converted == "") & (moved >= low - 0.25 * span) & (moved <= high + 0.25 * span)
            value[fits], converted[fits] = moved[fits], other
        positive = min([*anchors, 0.0]) >= 0 and np.mean(value[good] >= 0) > 0.9
        if positive:
            aside[good & (value < 0)] = "negative where nothing can be"
        aside[good & ((value > high + 10 * span) | (value < low - 10 * span)) & (aside == "")] = (
            "far beyond what this point can show"
        )
    value[aside != ""] = np.nan
    return pd.DataFrame({"value": value, "converted_from": converted, "set_aside": aside})


def _tiny(value: Array, low: float, span: float) -> npt.NDArray[np.bool_]:
    """Positive readings a small fraction of all others (inches among millimetres) lie inside any span above zero."""
    return (value > 0) & (low > 0) & (value < low / 3) & (value < low - 0.25 * span)


def judged(verdict: pd.Series, reading: Array, low: Array, high: Array) -> Array:
    """1 fail, 0 ok, nan not checked: the verdict given; without one, the reading against its limits."""
    given = verdict.fillna("").astype(str).to_numpy()
    out = np.full(len(given), np.nan)
    out[given == "ok"] = 0.0
    out[given == "fail"] = 1.0
    silent = (given == "") & np.isfinite(reading) & (np.isfinite(low) | np.isfinite(high))
    with np.errstate(invalid="ignore"):
        over = (reading > high) | (reading < low)
    out[silent] = over[silent].astype(float)
    return out
