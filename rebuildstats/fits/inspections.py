"""Which inspections most often fail: counts with intervals, now and in the months to come.

Shares carry Jeffreys intervals (Brown, Cai & DasGupta 2001). Nothing here is advice to skip a look: a point that never
failed has a bound, and a point that is often left out is listed with what the omission hides.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.points import PointFits
from rebuildstats.fits.proportions import jeffreys_interval, never_failed_bound
from rebuildstats.fits.readings import judged
from rebuildstats.fits.rows import numbers
from rebuildstats.fits.rows import rows as rows_of

Array = npt.NDArray[np.float64]

COLUMNS = (
    "family",
    "point",
    "component",
    "checked",
    "failed",
    "share",
    "share_lower",
    "share_upper",
    "expected_checked",
    "expected_failed",
)
MORE = (
    "method", "safety", "left_out", "left_out_share", "offered", "band_from", "band_to", "expected_lower",
    "expected_upper",
)  # fmt: skip


def bands(oldest: float, pieces: int = 6) -> Array:
    """Edges of round mileage bands from 0 to at least `oldest`, about `pieces` of them; the last is open (inf)."""
    if not np.isfinite(oldest) or oldest <= 0:
        return np.array([0.0, np.inf])
    raw = oldest / pieces
    power = 10 ** np.floor(np.log10(raw))
    step = next(float(m * power) for m in (1, 2, 2.5, 5, 10) if m * power >= raw)
    return np.append(np.arange(0.0, oldest, step), np.inf)


def looks(inspections: pd.DataFrame, points: pd.DataFrame) -> pd.DataFrame:
    """The findings that were a look (verdict ok or fail, or a reading against a limit): family, point, component,
    job, unit, position, opened_on, age, unit_age, site, fail (0/1). A finding without a point keeps point ''."""
    limits = points[["family", "point", "low_limit", "high_limit"]]
    rows = inspections.drop(columns=["low_limit", "high_limit"], errors="ignore").copy()
    rows["point"] = rows["point"].fillna("").astype(str)
    rows = rows.merge(limits, on=["family", "point"], how="left")
    rows["fail"] = judged(
        rows["verdict"],
        numbers(rows["reading"]),
        numbers(rows["low_limit"]),
        numbers(rows["high_limit"]),
    )
    keep = ["family", "point", "component", "job", "unit", "position", "opened_on", "age", "unit_age", "site", "fail"]
    return rows.loc[rows["fail"].notna(), keep].reset_index(drop=True)


def inspections_table(
    inspections: pd.DataFrame,
    points: pd.DataFrame,
    components: pd.DataFrame,
    teardowns: pd.DataFrame,
    *,
    point_fits: PointFits | None = None,
    ahead: pd.DataFrame | None = None,
    positions: pd.DataFrame | None = None,
    family: str | None = None,
    mileage: float | None = None,
) -> pd.DataFrame:
    """A row per point (and per component that is judged without points), the most fails expected first.

    ahead: what is to come in the next 12 months, a row per unit: unit, family, expected (teardowns), distance (run
    until then; optional). Without it the expected columns are nan. positions: today's `positions` record, for the
    ages at those teardowns. mileage: only looks in the round band of distance since rebuild that holds it count.
    Columns COLUMNS, then MORE: left_out, offered: looks left out of those that teardowns offered (a rebuild offers
    every position of every point of its family); band_from, band_to: the band counted; expected_lower, expected_upper:
    of expected_failed, as unsure as the chances of a fail are (two-sided 90 %).
    """
    all_looks = looks(inspections, points)
    rows = _all_points(points, components, all_looks)
    chosen, edges = all_looks, (0.0, np.inf)
    torn = teardowns
    if family is not None:
        rows = rows.loc[rows["family"] == family]
        torn = torn.loc[torn["family"] == family]
    if mileage is not None:
        since = all_looks["unit_age"].fillna(all_looks["age"]).to_numpy(dtype=float)
        cuts = bands(float(np.nanmax(since)) if np.isfinite(since).any() else np.nan)
        place = int(np.clip(np.searchsorted(cuts, mileage, side="right") - 1, 0, len(cuts) - 2))
        edges = float(cuts[place]), float(cuts[place + 1])
        chosen = all_looks.loc[(since >= edges[0]) & (since < edges[1])]
        reach = numbers(torn["age"])
        torn = torn.loc[(reach >= edges[0]) & (reach < edges[1])]
    counts = chosen.groupby(["family", "point", "component"])["fail"].agg(checked="size", failed="sum").reset_index()
    table = rows.merge(counts, on=["family", "point", "component"], how="left")
    table["checked"] = table["checked"].fillna(0).astype("int64")
    table["failed"] = table["failed"].fillna(0).astype("int64")
    with np.errstate(invalid="ignore", divide="ignore"):
        table["share"] = table["failed"] / table["checked"].where(table["checked"] > 0)
    table["share_lower"], table["share_upper"] = jeffreys_interval(table["failed"], table["checked"])
    rebuilds = torn.loc[torn["scope"].fillna("rebuild") != "repair"].groupby("family").size()
    offered = table["family"].map(rebuilds).fillna(0).to_numpy(dtype=float) * table["positions"].to_numpy(dtype=float)
    at_rebuild = chosen.loc[chosen["job"].isin(torn.loc[torn["scope"].fillna("rebuild") != "repair", "job"])]
    made = at_rebuild.groupby(["family", "point", "component"]).size().rename("made").reset_index()
    made_counts = (
        table[["family", "point", "component"]].merge(made, how="left")["made"].fillna(0).to_numpy(dtype=float)
    )
    table["offered"] = offered.astype("int64")
    table["left_out"] = np.maximum(offered - made_counts, 0).astype("int64")
    table["left_out_share"] = np.where(offered > 0, table["left_out"] / np.maximum(offered, 1), np.nan)
    table["band_from"], table["band_to"] = edges
    _expect(table, teardowns, point_fits, ahead, positions)
    order = table.assign(_f=-table["expected_failed"].fillna(0), _s=-table["share"].fillna(0), _n=~table["safety"])
    order = order.sort_values(["_f", "_s", "_n", "family", "component", "point"], kind="stable")
    return table.loc[order.index, [*COLUMNS, *MORE]].reset_index(drop=True)


def _all_points(points: pd.DataFrame, components: pd.DataFrame, seen: pd.DataFrame) -> pd.DataFrame:
    """Every point of the contract, and point '' for components that findings judge without naming a point."""
    bare = seen.loc[seen["point"] == "", ["family", "point", "component"]].drop_duplicates()
    rows = pd.concat([points[["family", "point", "component", "method"]], bare], ignore_index=True)
    facts = components[["family", "component", "positions", "safety"]]
    rows = rows.merge(facts, on=["family", "component"], how="left")
    rows["positions"] = rows["positions"].fillna(1).astype("int64")
    rows["safety"] = rows["safety"].fillna(False).astype(bool)
    return rows


def _expect(
    table: pd.DataFrame,
    teardowns: pd.DataFrame,
    point_fits: PointFits | None,
    ahead: pd.DataFrame | None,
    positions: pd.DataFrame | None,
) -> None:
    """Fill expected_checked and expected_failed with its limits: over units, teardowns to come x looks per teardown x
    chance of a fail then."""
    names = ["expected_checked", "expected_failed", "expected_lower", "expected_upper"]
    table[names] = np.nan
    if ahead is None:
        return
    torn = teardowns.groupby("family").size()
    coming = ahead.groupby("family")["expected"].sum()
    by_component = _ages_ahead(ahead, positions)
    expected = np.zeros((len(table), 4))
    for i, row in enumerate(rows_of(table)):
        past: Any = torn.get(row.family, 0)
        # looks per teardown and position; half a look is the prior where the family was never opened
        rate = min((float(row.checked) + 0.5) / (float(past) * float(row.positions) + 1.0), 1.0)
        if row.band_to != np.inf or row.band_from > 0:
            rate = min((float(row.offered - row.left_out) + 0.5) / (float(row.offered) + 1.0), 1.0)
        checks = float(coming.get(row.family, 0.0)) * float(row.positions) * rate
        share = (float(row.failed) + 0.5) / (float(row.checked) + 1.0) if row.checked else np.nan
        shares = [share, float(row.share_lower), float(row.share_upper)]
        fit = point_fits.get(str(row.family), str(row.point)) if point_fits is not None else None
        known = by_component.get((str(row.family), str(row.component)))
        if fit is not None and known is not None and not (fit.verdict.kind == "bound" and not fit.by_gauge):
            ages, weights = known
            aged = np.isfinite(ages)
            chances = np.tile(np.array(shares)[:, None], len(ages))
            if aged.any():
                chances[:, aged] = fit.chance(ages[aged]), *fit.interval(ages[aged])
            fails = rate * (_else_open(chances) @ weights)
        else:
            fails = checks * _else_open(np.array(shares)[:, None])[:, 0]
        expected[i] = checks, *fails
    table[names] = expected


def _else_open(chances: Array) -> Array:
    """Rows chance, lower, upper; what can't be said is half, between nothing and all."""
    return np.where(np.isfinite(chances), chances, np.array([0.5, 0.0, 1.0])[:, None])


def _ages_ahead(ahead: pd.DataFrame, positions: pd.DataFrame | None) -> dict[tuple[str, str], tuple[Array, Array]]:
    """(family, component) -> (age of each position at the teardown to come, teardowns expected of its unit)."""
    if positions is None or positions.empty:
        return {}
    columns = ["unit", "expected"] + (["distance"] if "distance" in ahead else [])
    rows = positions[["family", "component", "unit", "age"]].merge(ahead[columns], on="unit", how="inner")
    run = rows["distance"].fillna(0.0) if "distance" in rows else 0.0
    rows["then"] = rows["age"].astype(float) + run
    return {
        (str(f), str(c)): (numbers(group["then"]), numbers(group["expected"]))
        for (f, c), group in rows.groupby(["family", "component"], sort=False)
    }


def fail_share_by_band(inspections: pd.DataFrame, points: pd.DataFrame, level: float = 0.90) -> pd.DataFrame:
    """Share of fails per point by band of the component's own age, where the age is known.

    Columns: family, point, component, age_from, age_to, checked, failed, share, share_lower, share_upper.
    """
    rows = looks(inspections, points)
    rows = rows.loc[rows["age"].notna()]
    columns = [
        "family",
        "point",
        "component",
        "age_from",
        "age_to",
        "checked",
        "failed",
        "share",
        "share_lower",
        "share_upper",
    ]
    parts = []
    for family, group in rows.groupby("family", sort=True):
        cuts = bands(float(group["age"].max()))
        place = np.searchsorted(cuts, numbers(group["age"]), side="right") - 1
        part = group.assign(age_from=cuts[place], age_to=cuts[place + 1])
        keys = ["point", "component", "age_from", "age_to"]
        counted = part.groupby(keys)["fail"].agg(checked="size", failed="sum").reset_index()
        counted.insert(0, "family", family)
        parts.append(counted)
    if not parts:
        return pd.DataFrame(columns=columns)
    table = pd.concat(parts, ignore_index=True)
    table["failed"] = table["failed"].astype("int64")
    table["share"] = table["failed"] / table["checked"]
    table["share_lower"], table["share_upper"] = jeffreys_interval(table["failed"], table["checked"], level)
    return table[columns]


def never_failing(table: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Points that were checked and never failed, with the exact one-sided bound of their share: rows of an
    inspections table.

    The bound is what the looks so far can't exclude; it is no reason to leave the look out.
    """
    rows = table.loc[(table["checked"] > 0) & (table["failed"] == 0)].copy()
    rows["bound"] = never_failed_bound(rows["checked"], level)
    names = ["family", "point", "component", "checked", "bound", "safety"]
    return rows[names].sort_values(["bound"], kind="stable").reset_index(drop=True)


def left_out(table: pd.DataFrame, least: float = 0.2) -> pd.DataFrame:
    """Points left out at `least` or more of the looks that rebuilds offered, and what that hides.

    `hidden_fails`: fails to expect among the looks that were left out, if they failed like those made, with limits;
    where none was ever made the limits are all and nothing. `hides`: in words.
    """
    rows = table.loc[(table["offered"] > 0) & (table["left_out_share"] >= least)].copy()
    rows["hidden_fails"] = rows["left_out"] * rows["share"]
    rows["hidden_lower"] = rows["left_out"] * rows["share_lower"]
    rows["hidden_upper"] = rows["left_out"] * rows["share_upper"]
    rows["hides"] = [
        f"left out {r.left_out} of {r.offered} times; "
        + (f"{r.failed} of {r.checked} looks failed, so " if r.checked else "never looked at, so ")
        + f"between {r.hidden_lower:.1f} and {r.hidden_upper:.1f} bad ones may have gone back unseen"
        for r in rows_of(rows)
    ]
    names = [
        "family",
        "point",
        "component",
        "offered",
        "left_out",
        "left_out_share",
        "hidden_fails",
        "hidden_lower",
        "hidden_upper",
        "safety",
        "hides",
    ]
    return rows[names].sort_values("hidden_upper", ascending=False, kind="stable").reset_index(drop=True)
