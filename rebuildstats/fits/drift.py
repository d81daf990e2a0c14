"""Drift of a gauge: readings that shift for all components at once are the instrument's (or the site's), not wear.

What a component's age and wear make us expect is taken off every reading first (the point's own fit); what is left, in
units of its spread, is compared over time at each site. A shift that all points of one reading unit at one site share
from a date on is drift; a shift at one point alone is that point's own wear.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from rebuildstats.fits.discovery import adjusted
from rebuildstats.fits.gauge import SCALE, GaugeFit, transform
from rebuildstats.fits.points import PointFits
from rebuildstats.fits.rows import numbers, texts

COLUMNS = (
    "site",
    "reading_unit",
    "since",
    "shift",
    "shift_lower",
    "shift_upper",
    "readings",
    "points",
    "points_shifted",
    "p_value",
    "q_value",
    "flagged",
)
LEAST = 8
"""Readings on either side of a shift, at least."""


def residuals(inspections: pd.DataFrame, points: pd.DataFrame, fits: PointFits) -> pd.DataFrame:
    """Readings less what their point's fit expects at their age, in standard deviations of a reading at that age.

    Columns: family, point, reading_unit, site, opened_on, unit, residual. Readings of points without a fit are left
    out.
    """
    rows = inspections.merge(points[["family", "point", "reading_unit"]], on=["family", "point"], how="inner")
    rows = rows.loc[rows["reading"].notna() & rows["age"].notna()].reset_index(drop=True)
    out = np.full(len(rows), np.nan)
    for (family, point), group in rows.groupby(["family", "point"], sort=False):
        fit = fits.get(str(family), str(point))
        if fit is None or fit.gauge is None:
            continue
        out[group.index.to_numpy()] = _standard(fit.gauge, numbers(group["age"]), numbers(group["reading"]))
    rows["residual"] = out
    kept = rows.loc[np.isfinite(out) & (np.abs(out) < 8)]
    names = ["family", "point", "reading_unit", "site", "opened_on", "unit", "residual"]
    result: pd.DataFrame = kept[names].reset_index(drop=True)
    return result


def _standard(fit: GaugeFit, age: np.ndarray, reading: np.ndarray) -> np.ndarray:
    g = transform(np.maximum(age, 0.0) / SCALE, fit.power)
    spread = np.sqrt(fit.error_sd**2 + (fit.rate_sd * g) ** 2)
    return np.asarray((reading - fit.intercept - fit.slope * g) / spread)


def gauge_drift(rows: pd.DataFrame, *, rate: float = 0.05, level: float = 0.90) -> pd.DataFrame:
    """Shifts shared by all points of one reading unit at one site, likeliest date each; flagged at false discovery
    rate `rate`.

    rows: from `residuals`. shift: mean residual after less before, in standard deviations of a reading, with limits.
    The p-value is that of the largest standardised shift over all dates (Worsley 1979's Bonferroni bound), and a
    shift counts only if it is shared: half or more of the points with readings on both sides move the same way.
    """
    found = []
    for (site, unit), group in rows.groupby([texts(rows["site"]), texts(rows["reading_unit"])], sort=True):
        ordered = group.sort_values("opened_on", kind="stable").reset_index(drop=True)
        r = numbers(ordered["residual"])
        n = len(r)
        if n < 2 * LEAST:
            continue
        total = np.cumsum(r)
        k = np.arange(LEAST, n - LEAST + 1)
        days = ordered["opened_on"].to_numpy()
        k = k[days[k - 1] != days[np.minimum(k, n - 1)]]
        if not len(k):
            continue
        before, after = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
        sd = max(float(np.std(r)), 1e-9)
        z = (after - before) / (sd * np.sqrt(1 / k + 1 / (n - k)))
        best = int(np.abs(z).argmax())
        cut, shift = int(k[best]), float(after[best] - before[best])
        error = float(np.sqrt(np.var(r[:cut], ddof=1) / cut + np.var(r[cut:], ddof=1) / (n - cut)))
        p = float(min(1.0, 2 * stats.norm.sf(abs(shift) / max(error, 1e-9)) * len(k)))
        points, moved = _shared(ordered, cut, shift)
        half = float(stats.norm.ppf((1 + level) / 2)) * error
        found.append((site, unit, days[cut], shift, shift - half, shift + half, n, points, moved, p))
    table = pd.DataFrame(found, columns=list(COLUMNS[:10]))
    table["q_value"] = adjusted(numbers(table["p_value"])) if len(table) else np.zeros(0)
    shared = (table["points_shifted"] * 2 >= table["points"]) & (table["points"] >= 2)
    table["flagged"] = (table["q_value"] <= rate) & shared
    return table.sort_values("p_value", kind="stable").reset_index(drop=True)


def _shared(rows: pd.DataFrame, cut: int, shift: float) -> tuple[int, int]:
    """Points read on both sides of the cut, and how many of them moved the way of the shift by at least a third of
    it."""
    later = np.arange(len(rows)) >= cut
    points = moved = 0
    for _, group in rows.assign(later=later).groupby(["family", "point"], sort=False):
        sides = group.groupby("later")["residual"].agg(["mean", "size"])
        if len(sides) == 2 and (sides["size"] >= 3).all():
            points += 1
            moved += float(sides["mean"].iloc[1] - sides["mean"].iloc[0]) * np.sign(shift) >= abs(shift) / 3
    return points, moved
