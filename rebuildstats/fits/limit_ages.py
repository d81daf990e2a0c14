"""Every inspection point's wear in numbers, beside the life fitted to its component: do the two say the same?"""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np
import pandas as pd

from rebuildstats.fits.points import PointFits
from rebuildstats.fits.results import LifeFits

COLUMNS: Final = (
    "family", "point", "component", "method", "model", "checked", "fails", "readings", "units", "wear_10000",
    "wear_lower", "wear_upper", "age_10", "age_10_lower", "age_10_upper", "age_50", "age_50_lower", "age_50_upper",
    "age_90", "age_90_lower", "age_90_upper", "low_limit", "high_limit", "fails_by_readings", "b10", "b10_lower",
    "b10_upper", "disagrees", "reason", "oldest_read",
)  # fmt: skip


def limit_table(points: PointFits, lives: LifeFits, family: str | None = None) -> pd.DataFrame:
    """One row per point, of one family or of all.

    wear_10000: wear per 10,000 of distance; age_10, age_50, age_90: ages at which that share of readings lies beyond
    the limit (degradation to limit: Meeker & Escobar 1998, ch. 13), all with two-sided 90 % intervals;
    fails_by_readings: fails that the readings' curve gives at the looks made, beside `fails` found; b10: of the
    component's fitted life, with interval. disagrees: the intervals of age_10 and b10 have nothing in common (of a
    component with several points, only where age_10 is the earlier one: it may fail at another), or the fails found
    refute the readings' curve; `reason` says which. oldest_read: the oldest age at which it was read; ages at the limit
    beyond that rest on the curve alone.
    """
    count = Counter((fit.family, fit.component) for fit in points)
    rows = points.frame()
    if family is not None:
        rows = rows[rows["family"] == family].reset_index(drop=True)
    more = []
    for row in rows.to_dict("records"):
        fit = points.get(str(row["family"]), str(row["point"]))
        life = lives.get(str(row["family"]), str(row["component"]))
        refuted = fit is not None and fit.refuted and fit.method != "count"
        later = row["age_10_lower"] > life.b10_upper and count[row["family"], row["component"]] == 1
        apart = later or row["age_10_upper"] < life.b10_lower
        apart = bool(apart) and np.isfinite(life.b10) and fit is not None and fit.by_gauge
        reason = row["reason"] if isinstance(row["reason"], str) else ""
        if refuted:
            reason = "its fails are other than its readings foretell: chances come from verdicts"
        elif apart:
            reason = "readings reach the limit at another age than the fitted life says"
        foretold = fit.foretold if fit is not None and fit.method != "count" else np.nan
        oldest = fit.gauge.oldest if fit is not None and fit.gauge is not None else np.nan
        more.append((foretold, life.b10, life.b10_lower, life.b10_upper, refuted or apart, reason, oldest))
    names = ["fails_by_readings", "b10", "b10_lower", "b10_upper", "disagrees", "reason", "oldest_read"]
    table = pd.concat([rows.drop(columns="reason"), pd.DataFrame(more, columns=names, index=rows.index)], axis=1)
    counted = table["method"] == "count"
    table.loc[counted, [name for name in table.columns if name.startswith("age_")]] = np.nan
    return table[list(COLUMNS)].astype({"disagrees": "bool", "reason": "str"})
