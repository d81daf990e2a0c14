"""From the complaint to its cause: which component it was, in past teardowns of the same complaint and mileage.

Shares are smoothed by a Dirichlet prior whose mean is the component's share as cause over all complaints of the
family, so that a complaint heard twice doesn't name its cause for certain; the counts stand beside them.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
from scipy import stats

from rebuildstats.fits.inspections import bands
from rebuildstats.fits.rows import numbers, texts

COLUMNS = (
    "family",
    "complaint",
    "mileage_from",
    "mileage_to",
    "component",
    "count",
    "teardowns",
    "share",
    "share_lower",
    "share_upper",
)
PRIOR = 2.0
"""Teardowns' worth of belief in the family's overall shares."""
NO_CAUSE = ""


def complaint_causes(
    outcomes: pd.DataFrame, teardowns: pd.DataFrame, *, pieces: int = 3, level: float = 0.90
) -> pd.DataFrame:
    """Share of each component as cause given the complaint and the band of distance since rebuild.

    outcomes, teardowns: the records of those names; the cause is what was found with role cause, else the failed
    components of a failure's teardown in equal parts; component '' stands for no cause found. Bands hold all mileages
    from 0 on, and one more row set with mileage_from 0 and mileage_to inf holds all together where the mileage is
    unknown to the asker. Teardowns of unknown mileage count in the latter only.
    """
    heard = teardowns.loc[texts(teardowns["complaint"]) != "", ["job", "family", "complaint", "age"]].copy()
    if heard.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    heard["complaint"] = [c.strip().lower() for c in texts(heard["complaint"])]
    credit = _credit(outcomes.loc[outcomes["job"].isin(heard["job"])])
    rows = heard.merge(credit, on="job", how="left")
    rows["component"] = texts(rows["component"])
    rows["credit"] = np.where(rows["component"] == "", 1.0, rows["credit"].fillna(1.0))
    out: list[pd.DataFrame] = []
    for family, group in rows.groupby("family", sort=True):
        overall = group.groupby("component")["credit"].sum()
        prior = (overall + 0.5) / (overall + 0.5).sum()
        ages = numbers(group["age"])
        cuts = _bands(ages, pieces)
        out.append(_table(str(family), group, prior, 0.0, np.inf, level))
        if len(cuts) > 2:
            for low, high in pairwise(cuts):
                inside = (ages >= low) & (ages < high)
                if inside.any():
                    out.append(_table(str(family), group.loc[inside], prior, float(low), float(high), level))
    table = pd.concat(out, ignore_index=True)
    return table[list(COLUMNS)]


def _bands(ages: np.ndarray, pieces: int) -> np.ndarray:
    known = ages[np.isfinite(ages)]
    return bands(float(known.max()), pieces) if len(known) else np.array([0.0, np.inf])


def _credit(outcomes: pd.DataFrame) -> pd.DataFrame:
    """job, component, credit: one per job, shared among its causes."""
    bad = outcomes.loc[(texts(outcomes["verdict"]) == "fail") & (texts(outcomes["role"]) != "consequence")]
    cause = bad.loc[texts(bad["role"]) == "cause"]
    rest = bad.loc[~bad["job"].isin(cause["job"]) & texts(bad["reason"]).astype(str).__eq__("failure")]
    named = pd.concat([cause, rest])[["job", "component"]].drop_duplicates()
    named["credit"] = 1.0 / named.groupby("job")["component"].transform("size")
    return pd.DataFrame(named)


def _table(family: str, rows: pd.DataFrame, prior: pd.Series, low: float, high: float, level: float) -> pd.DataFrame:
    counts = rows.groupby(["complaint", "component"])["credit"].sum()
    jobs = rows.groupby("complaint")["job"].nunique()
    tail = (1 - level) / 2
    lines = []
    for complaint, total in jobs.items():
        for component, expected in prior.items():
            count = float(counts.get((complaint, component), 0.0))
            if count == 0 and component == NO_CAUSE:
                continue
            a = count + PRIOR * float(expected)
            b = float(total) + PRIOR - a
            lines.append(
                (
                    family,
                    complaint,
                    low,
                    high,
                    component,
                    count,
                    int(total),
                    a / (a + b),
                    float(stats.beta.ppf(tail, a, b)),
                    float(stats.beta.ppf(1 - tail, a, b)),
                )
            )
    table = pd.DataFrame(
        lines,
        columns=list(COLUMNS),
    )
    ordered: pd.DataFrame = table.sort_values(["complaint", "share"], ascending=[True, False], kind="stable")
    return ordered


def causes_of(table: pd.DataFrame, family: str, complaint: str, mileage: float = np.nan) -> pd.DataFrame:
    """The rows for one complaint at one mileage (nan: all together): the narrowest band that was ever heard,
    likeliest first."""
    rows = table.loc[(table["family"] == family) & (table["complaint"] == complaint.strip().lower())]
    if np.isfinite(mileage):
        banded = rows.loc[(rows["mileage_from"] <= mileage) & (mileage < rows["mileage_to"])]
        narrow = banded.loc[~((banded["mileage_from"] == 0) & np.isinf(banded["mileage_to"]))]
        rows = narrow if len(narrow) else banded
    else:
        rows = rows.loc[(rows["mileage_from"] == 0) & np.isinf(rows["mileage_to"])]
    return rows.sort_values("share", ascending=False, kind="stable").reset_index(drop=True)
