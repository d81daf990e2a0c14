"""Makes that fail unseen: what is only found bad once the unit is open, set against its component's life.

Such a failure happened somewhere since the component was last known good. On the scale of cumulative hazard a life is
exponential, so the exposure it had is known on average: H(good) + 1 - d / (e^d - 1), d the hazard of the interval. With
failures put there observed and expected agree in a sound group, as they do for failures seen at once (martingale
residuals under interval censoring: Farrington 2000, Biometrics 56:473).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.exposure import cumulative_hazard, lay_out_exposure
from rebuildstats.fits.rates import ratio_interval
from rebuildstats.fits.repeat_search import Found, search
from rebuildstats.fits.repeat_views import views
from rebuildstats.fits.rows import numbers, sums, texts

Array = npt.NDArray[np.float64]
STEPS = 9


@dataclass(frozen=True, slots=True)
class TornDown:
    """What was found: the causes among makes of components that show at teardowns only; None where there are none."""

    found: Found | None

    def told_in(self, table: pd.DataFrame) -> pd.DataFrame:
        """A repeats table with what was found at teardowns written into the rows of its makes."""
        table = table.assign(found=0, found_expected=0.0)
        if self.found is None:
            return table
        level = self.found.level
        x = level.x
        sound = sums(x.piece_life, level.piece_sound, len(x.failed))
        part = x.part.code
        kept = part >= 0
        seen, expected = (sums(part[kept], w[kept], len(x.part.names)) for w in (x.failed.astype(float), sound))
        causes = {e.name: e for e in self.found.causes}
        for i in table.index[(table["kind"] == "part") & table["name"].isin(x.part.names)]:
            name = str(table.at[i, "name"])
            place = x.part.names.index(name)
            told: dict[str, Any] = {"found": int(seen[place]), "found_expected": float(expected[place])}
            key = ("part", name)
            if not table.at[i, "flagged"] and table.at[i, "observed_all"] == 0:
                told |= {"p_value": self.found.best.get(key, (1.0, 0.0))[0], "q_value": self.found.q_value(key)}
            if name in causes and not table.at[i, "flagged"]:
                told |= _flag(self.found, name)
            for column, value in told.items():
                table.at[i, column] = value
        return table


def _flag(found: Found, name: str) -> dict[str, Any]:
    """The cells of a make's row that was found bad at teardowns."""
    effect = next(e for e in found.causes if e.name == name)
    x = found.level.x
    observed, expected = int(effect.fails.sum()), float(found.level.piece_sound[effect.pieces].sum())
    ratio, low, high = (float(v) for v in np.ravel(ratio_interval([observed], [expected])))
    jobs = {str(j) for j in x.closed_by[x.fail_life[effect.fails]] if j}
    return {
        "found": observed,
        "found_expected": expected,
        "ratio": ratio,
        "ratio_lower": low,
        "ratio_upper": high,
        "p_value": effect.p_value,
        "q_value": effect.q_value,
        "since": x.date(effect.first),
        "since_lower": x.date(effect.first_lower),
        "since_upper": x.date(effect.first_upper),
        "since_cusum": x.date(effect.zero),
        "until": x.date(effect.last + 1) if effect.last < x.bins - 1 else pd.NaT,
        "flagged": True,
        "by": "teardowns",
        "looks_like": "make",
        "jobs": ", ".join(sorted(jobs)),
    }


def look_at_teardowns(
    lives: pd.DataFrame,
    life_fits: Any,
    as_of: pd.Timestamp,
    fitments: pd.DataFrame | None,
    vehicles: pd.DataFrame | None,
    usage: pd.DataFrame | None,
    *,
    rate: float,
    most: int,
) -> TornDown:
    """Look at every make of the components that show at teardowns only (frames as in `repeats.find_repeats`)."""
    placed = with_failures_placed(lives, life_fits)
    if placed["part"].isna().all() or not placed["upper_age"].notna().any():
        return TornDown(None)
    x = lay_out_exposure(placed, fitments, life_fits, as_of, vehicles=vehicles, usage=usage)
    makes = [v for v in views(x) if v.kind == "part" and v.response == "failures"]
    return TornDown(search(x, makes, rate, most))


def with_failures_placed(lives: pd.DataFrame, life_fits: Any) -> pd.DataFrame:
    """The lives that show at teardowns only, each failure put at the age that its exposure on average ended."""
    rows: pd.DataFrame = lives.loc[texts(lives["shows"]) != "in_service"].reset_index(drop=True).copy()
    lower, upper = (numbers(rows[c]) for c in ("lower_age", "upper_age"))
    between = np.flatnonzero(np.isfinite(upper) & (upper > lower))
    if len(between):
        low, high = np.nan_to_num(lower[between]), upper[between]
        ages = [low + (high - low) * k / (STEPS - 1) for k in range(STEPS)]
        curve = np.stack(cumulative_hazard(rows, life_fits, between, ages))
        rise = np.maximum(curve[-1] - curve[0], 1e-9)
        # half of the interval's hazard where that is small
        wanted = curve[0] + np.where(rise > 1e-4, 1 - rise / np.expm1(rise), rise / 2)
        at = [float(np.interp(w, c, a)) for w, c, a in zip(wanted, curve.T, np.stack(ages).T, strict=True)]
        for name in ("lower_age", "upper_age"):
            rows[name] = rows[name].astype("float64")
            rows.loc[between, name] = at
    rows["shows"] = "in_service"
    return rows
