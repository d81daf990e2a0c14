"""Teardowns to come, for whoever plans looks and not parts: how many to expect of each unit, and how far it runs first.

Failures that end a unit's life only, from its fitted life; the forecast in parts knows more (booked and scheduled
work, repairs, campaigns) and is used where there are parts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from rebuildstats.demand.fleet import fleets_today, mileage_line
from rebuildstats.demand.forecast import Forecast
from rebuildstats.demand.parts import shelf_of_sites
from rebuildstats.demand.usage import usage_rates

if TYPE_CHECKING:
    from rebuildstats.history.known import History
    from rebuildstats.life_records.records import Records

COLUMNS = ["unit", "family", "expected", "distance"]


def openings_of(ahead: Forecast, days: float) -> pd.DataFrame:
    """Teardowns to expect of every unit within `days` days by a forecast: COLUMNS; distance: run until then, taken at
    half of the time."""
    rows = ahead.likely(days).rename(columns={"chance": "expected"})
    run = {
        unit: float(per_day)
        for base in ahead.bases.values()
        for unit, per_day in zip(base.fleet.units, base.fleet.per_day, strict=True)
    }
    per_day = rows["unit"].map(run).to_numpy(dtype=float)
    return rows.assign(distance=np.nan_to_num(per_day) * days / 2)[COLUMNS]


def openings_without_parts(history: History, records: Records, unit_fits: Any, days: float) -> pd.DataFrame:
    """The same from units' fitted lives alone: COLUMNS. A unit whose family can't be fitted, or of unknown age or
    distance a day, is expected as often as its family was opened a unit and day."""
    line, fallback = mileage_line(history, records)
    usage = usage_rates(line, pd.Timestamp(history.as_of), fallback)
    frames = []
    for family, fleet in sorted(fleets_today(history, records, usage, shelf_of_sites(history)).items()):
        fit = unit_fits.get(family, None)
        run = np.nan_to_num(fleet.per_day) * np.minimum(days, fleet.days_left)
        usual = _usual(records, history, family, len(fleet.units), days)
        expected = np.full(len(fleet.units), usual)
        known = np.isfinite(fleet.age) & (run > 0)
        if fit is not None and hasattr(fit, "chance_between") and known.any():
            expected[known] = fit.chance_between(fleet.age[known], (fleet.age + run)[known])
            expected = np.where(np.isfinite(expected), expected, usual)
        frames.append(pd.DataFrame({"unit": fleet.units, "family": family, "expected": expected, "distance": run / 2}))
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=COLUMNS)


def _usual(records: Records, history: History, family: str, units: int, days: float) -> float:
    """Teardowns a unit in `days` days as the family had them so far."""
    own = records.teardowns.loc[records.teardowns["family"] == family, "opened_on"]
    if own.empty or not units:
        return 0.0
    watched = max((pd.Timestamp(history.as_of) - own.min()).days, 365)
    return float(min(len(own) / watched / units * days, 1.0))
