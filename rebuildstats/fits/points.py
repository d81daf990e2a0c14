"""Every inspection point's wear by mileage: gauge readings and verdicts, one fit per family and point."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.gauge import MIN_READINGS, GaugeFit, fit_readings
from rebuildstats.fits.rates import mid_p_value
from rebuildstats.fits.readings import judged, screen_readings
from rebuildstats.fits.rows import number, numbers, text
from rebuildstats.fits.rows import rows as rows_of
from rebuildstats.fits.verdict_points import PointBound, VerdictFit, fit_verdicts

Array = npt.NDArray[np.float64]
_REFUTED = 0.05
SCARCE = 8
"""Fewer readings than this lean on the maker's as-new value as one reading at age 0."""


@dataclass(frozen=True, slots=True)
class PointFit:
    """What is known of one point. `gauge` is None where readings are too few; `verdict` always says at least a
    bound. `foretold`: fails that the readings' curve gives at the looks made (NaN without one); `refuted`: whether
    that is another number than failed (mid-P below 5 %)."""

    family: str
    point: str
    component: str
    method: str
    gauge: GaugeFit | None
    verdict: VerdictFit | PointBound
    low_limit: float
    high_limit: float
    checked: int
    fails: int
    readings: int
    foretold: float = np.nan
    refuted: bool = False

    @property
    def by_gauge(self) -> bool:
        """Whether the chance of a fail comes from readings against a limit: not where the fails found refute it, and
        never where pieces are counted (a sound one stands at its limit, so half of any curve drawn through the counts
        would lie beyond it)."""
        limited = bool(np.isfinite(self.low_limit) or np.isfinite(self.high_limit))
        return self.gauge is not None and limited and self.method != "count" and not self.refuted

    def chance(self, age: npt.ArrayLike) -> Array:
        """Chance that one position fails at a look at these ages: from the readings where there is a limit, else from
        verdicts."""
        if self.gauge is not None and self.by_gauge:
            return self.gauge.chance(age)
        return self.verdict.chance(age)

    def interval(self, age: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
        if self.gauge is not None and self.by_gauge:
            return self.gauge.interval(age, level)
        return self.verdict.interval(age, level)

    def reading(self, age: npt.ArrayLike, share: float | npt.ArrayLike) -> Array:
        """Quantiles of the reading to expect, (shares, ages); nan where no readings were fitted."""
        if self.gauge is None:
            return np.full((len(np.atleast_1d(share)), len(np.atleast_1d(np.asarray(age)))), np.nan)
        read = self.gauge.reading(age, share)
        if self.method != "count":
            return read
        most = self.gauge.as_new if np.isfinite(self.gauge.as_new) else np.inf
        return np.asarray(np.clip(np.rint(read), 0.0, most))  # pieces are whole, and no more than were put in


@dataclass(frozen=True, slots=True)
class PointFits:
    """All points' fits by (family, point), and what was done to readings before.

    `handled`: family, point, job, unit, reading, value, converted_from, set_aside: the readings that were converted
    or set aside.
    """

    fits: dict[tuple[str, str], PointFit]
    handled: pd.DataFrame = field(default_factory=pd.DataFrame)

    def get(self, family: str, point: str) -> PointFit | None:
        return self.fits.get((family, point))

    def __iter__(self) -> Iterator[PointFit]:
        return iter(self.fits.values())

    def __len__(self) -> int:
        return len(self.fits)

    def frame(self) -> pd.DataFrame:
        """A row per point: its model, wear per 10,000 of distance, ages at which 10, 50, 90 % reach the limit, all
        with limits."""
        rows = [_summary(fit) for fit in self]
        return pd.DataFrame(rows, columns=list(_SUMMARY))


_SUMMARY = (
    "family",
    "point",
    "component",
    "method",
    "model",
    "checked",
    "fails",
    "readings",
    "units",
    "wear_10000",
    "wear_lower",
    "wear_upper",
    "age_10",
    "age_10_lower",
    "age_10_upper",
    "age_50",
    "age_50_lower",
    "age_50_upper",
    "age_90",
    "age_90_lower",
    "age_90_upper",
    "low_limit",
    "high_limit",
    "reason",
)


def _summary(fit: PointFit) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(_SUMMARY, np.nan)
    row |= {
        "family": fit.family,
        "point": fit.point,
        "component": fit.component,
        "method": fit.method,
        "checked": fit.checked,
        "fails": fit.fails,
        "readings": fit.readings,
        "units": 0,
        "low_limit": fit.low_limit,
        "high_limit": fit.high_limit,
        "reason": "",
    }
    if fit.gauge is not None:
        row["model"] = f"reading on {'log age' if fit.gauge.power == 'log' else 'age^' + fit.gauge.power}"
        row["units"] = fit.gauge.units
        row["wear_10000"], row["wear_lower"], row["wear_upper"] = fit.gauge.wear_rate()
        for share in (10, 50, 90):
            row[f"age_{share}"], row[f"age_{share}_lower"], row[f"age_{share}_upper"] = fit.gauge.age_at_limit(
                share / 100
            )
    elif isinstance(fit.verdict, VerdictFit):
        row["model"] = f"{fit.verdict.link} on log age"
    else:
        row["model"], row["reason"] = "bound", fit.verdict.reason
    return row


def fit_points(
    inspections: pd.DataFrame, points: pd.DataFrame, components: pd.DataFrame, *, seed: int = 0
) -> PointFits:
    """Fit every row of `points` from `inspections` (a row per finding; frames as in the history and life records).

    Damage by another part (role 'consequence') is no wear and takes no part. A looked-at position of unknown age
    counts for shares, not for curves. `components` decides nothing here but that a point of a component the family
    doesn't have is an error of the caller (KeyError).
    """
    known = set(zip(components["family"], components["component"], strict=True))
    seen = inspections.loc[inspections["point"].notna() & (inspections["point"] != "")]
    seen = seen.loc[seen["role"].fillna("") != "consequence"]
    groups = {(str(f), str(p)): group for (f, p), group in seen.groupby(["family", "point"], sort=False)}
    fits: dict[tuple[str, str], PointFit] = {}
    handled: list[pd.DataFrame] = []
    empty = seen.iloc[:0]
    for row in rows_of(points):
        family, point, component = str(row.family), str(row.point), str(row.component)
        if (family, component) not in known:
            raise KeyError(f"point {point} of {family} names the component {component}, which the family doesn't have")
        rows = groups.get((family, point), empty)
        limits = number(row.as_new), number(row.low_limit), number(row.high_limit)
        fit, touched = _fit_point(
            family, point, component, text(row.method), text(row.reading_unit), limits, rows, seed
        )
        fits[family, point] = fit
        if len(touched):
            handled.append(touched)
    columns = ["family", "point", "job", "unit", "reading", "value", "converted_from", "set_aside"]
    table = pd.concat(handled, ignore_index=True)[columns] if handled else pd.DataFrame(columns=columns)
    return PointFits(fits, table)


def _fit_point(
    family: str,
    point: str,
    component: str,
    method: str,
    reading_unit: str,
    limits: tuple[float, float, float],
    rows: pd.DataFrame,
    seed: int,
) -> tuple[PointFit, pd.DataFrame]:
    as_new, low, high = limits
    raw = numbers(rows["reading"])
    given = np.isfinite(raw)
    value = np.full(len(raw), np.nan)
    touched = rows.iloc[:0]
    if given.any():
        screened = screen_readings(raw[given], unit=reading_unit, as_new=as_new, low_limit=low, high_limit=high)
        value[given] = screened["value"].to_numpy()
        mark = ((screened["converted_from"] != "") | (screened["set_aside"] != "")).to_numpy()
        if mark.any():
            touched = rows.loc[given].loc[mark].copy()
            for name in ("value", "converted_from", "set_aside"):
                touched[name] = screened.loc[mark, name].to_numpy()
    fail = judged(rows["verdict"], value, np.full(len(raw), low), np.full(len(raw), high))
    age = numbers(rows["age"])
    looked = np.isfinite(fail)
    aged = looked & np.isfinite(age)
    checked, fails = int(looked.sum()), int(np.nansum(fail)) if looked.any() else 0
    verdict = fit_verdicts(family, point, component, age[aged], fail[aged], checked, fails)
    gauge = None
    usable = np.isfinite(value) & np.isfinite(age)
    if usable.any():
        seen = rows.loc[usable]
        lives, units = _lives_read(seen, age[usable]), int(seen["unit"].nunique())
        gauge = _fit_gauge(family, point, component, age[usable], value[usable], lives, units, limits, fails, seed)
    foretold, refuted = np.nan, False
    if gauge is not None and aged.any() and (np.isfinite(low) or np.isfinite(high)):
        foretold = float(gauge.chance(age[aged]).sum())
        refuted = bool(mid_p_value(float(fail[aged].sum()), max(foretold, 1e-9)) < _REFUTED)
    count = int(usable.sum())
    fit = PointFit(
        family, point, component, method, gauge, verdict, low, high, checked, fails, count, foretold, refuted
    )
    return fit, touched


def _lives_read(rows: pd.DataFrame, age: Array) -> npt.NDArray[np.int64]:
    """Number of the life that each reading belongs to: a unit's position until its age falls, as it does when it is
    renewed. The rate of wear is a life's own: the next part in the same place wears at another.
    """
    place = rows[["unit", "position", "opened_on"]].assign(age=age, row=np.arange(len(rows)))
    place = place.sort_values(["unit", "position", "opened_on"], kind="stable")
    by = place.groupby(["unit", "position"], sort=False, dropna=False)
    dated = place["opened_on"].notna() & by["opened_on"].shift().notna()
    place["renewed"] = dated & (by["age"].diff() < 0)
    place["life"] = place.groupby(["unit", "position"], sort=False, dropna=False)["renewed"].cumsum()
    number = place.groupby(["unit", "position", "life"], sort=False, dropna=False).ngroup().to_numpy()
    lives = np.empty(len(rows), dtype=np.int64)
    lives[place["row"].to_numpy()] = number
    return lives


def _fit_gauge(
    family: str,
    point: str,
    component: str,
    age: Array,
    value: Array,
    lives: npt.NDArray[np.int64],
    units: int,
    limits: tuple[float, float, float],
    fails: int,
    seed: int,
) -> GaugeFit | None:
    as_new, low, high = limits
    readings = len(age)
    counts = np.bincount(lives)
    if readings < SCARCE and np.isfinite(as_new):
        age, value, lives = np.append(age, 0.0), np.append(value, as_new), np.append(lives, lives.max() + 1)
    if len(age) < MIN_READINGS or np.ptp(age) <= 0.02 * age.max() or np.ptp(value) == 0:
        return None
    power, (b0, b1, rate_sd, error_sd), rivals, draws = fit_readings(age, value, lives, seed)
    return GaugeFit(
        family,
        point,
        component,
        power,
        b0,
        b1,
        rate_sd,
        error_sd,
        readings,
        units,
        int((counts > 1).sum()),
        fails,
        as_new,
        low,
        high,
        float(age.max()),
        rivals,
        draws,
    )
