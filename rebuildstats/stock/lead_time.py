"""Lead times: what the supplier states, corrected by what past orders took."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

DEFAULT_DAYS = 14.0  # nothing stated, nothing ever ordered, in the whole parts list
_PRIOR_ORDERS = 4.0  # a stated lead time weighs as much as this many orders
_PRIOR_SUPPLIER = 8.0  # a supplier keeps its word until this many orders say otherwise


@dataclass(frozen=True, slots=True)
class LeadTimes:
    """Lead time of every part. table: indexed by part: stated_days (NaN: not stated), days, sd_days, orders (past
    orders seen), basis (words: where the figure comes from)."""

    table: pd.DataFrame

    def pmf(self, part: str) -> NDArray[np.float64]:
        """Chance of each whole number of days 0, 1, 2, ... for one part."""
        days, sd = self.table.loc[part, ["days", "sd_days"]].to_numpy(float)
        return days_pmf(float(days), float(sd))

    def frame(self) -> pd.DataFrame:
        return self.table.reset_index()


def days_pmf(mean: float, sd: float) -> NDArray[np.float64]:
    """A gamma lead time cut to whole days, its mean kept; with sd 0 the mean is split between its two whole days."""
    if mean <= 0:
        return np.ones(1)
    if sd <= 0:
        low = int(np.floor(mean))
        pmf = np.zeros(low + 2)
        pmf[low], pmf[low + 1] = 1 - (mean - low), mean - low
        return pmf if pmf[-1] > 0 else pmf[:-1]
    shape, scale = (mean / sd) ** 2, sd**2 / mean
    top = int(np.ceil(special.gammaincinv(shape, 0.9999) * scale)) + 1
    edges = np.arange(top + 1)
    # E of the lead time rounded up or down by chance: pmf[k] = int (1 - |x - k|) f(x) dx keeps the mean
    below = special.gammainc(shape, edges / scale)
    part = mean * special.gammainc(shape + 1, edges / scale)
    rising = np.diff(part) - edges[:-1] * np.diff(below)
    pmf = np.zeros(top + 1)
    pmf[1:] += rising
    pmf[:-1] += np.diff(below) - rising
    return np.asarray(pmf / pmf.sum(), float)


def learn_lead_times(parts: pd.DataFrame, orders: pd.DataFrame, as_of: date) -> LeadTimes:
    """Lead time per part from `parts` (lead_time_days, lead_time_sd_days, supplier) and `orders` known at as_of.

    A part's mean is the mean of its received orders shrunk to its stated lead time times the supplier's usual ratio of
    taken to stated days (itself shrunk to 1). An order still open counts with its waiting time once that exceeds what
    was expected, so that a supplier who stops delivering does not look quick. The spread is the stated one pooled with
    the orders' own; with no orders and no stated spread the lead time is taken as exact.
    """
    base = pd.DataFrame(
        {
            "part": parts["part"].astype(str),
            "supplier": parts["supplier"],
            "stated_days": pd.to_numeric(parts["lead_time_days"]).astype(float),
            "stated_sd": pd.to_numeric(parts["lead_time_sd_days"]).astype(float),
        }
    ).set_index("part")
    took = _days_taken(orders, as_of)
    took = took[took["part"].isin(base.index)]
    usual = base["stated_days"].median()
    if np.isnan(usual):
        usual = took["days"].median() if len(took) else np.nan
    usual = DEFAULT_DAYS if np.isnan(usual) else float(usual)
    prior = base["stated_days"].fillna(usual)

    took["expected"] = prior.reindex(took["part"]).to_numpy()
    took = took[took["done"] | (took["days"] > took["expected"])].copy()
    took["supplier"] = base["supplier"].reindex(took["part"]).to_numpy()
    by_supplier = (
        took[took["expected"] > 0].groupby("supplier", dropna=True)[["days", "expected"]].agg(["sum", "count"])
    )
    ratio = pd.Series(1.0, index=base.index)
    if len(by_supplier):
        count = by_supplier["days", "count"]
        raw = by_supplier["days", "sum"] / by_supplier["expected", "sum"]
        shrunk = (count * raw + _PRIOR_SUPPLIER) / (count + _PRIOR_SUPPLIER)
        ratio = base["supplier"].map(shrunk).astype(float).fillna(1.0)
    grouped = took.groupby("part")["days"]
    n = grouped.count().reindex(base.index).fillna(0).astype(int)
    mean = grouped.mean().reindex(base.index).fillna(0.0)
    expected = prior * ratio
    weight = _PRIOR_ORDERS + n
    days = (_PRIOR_ORDERS * expected + n * mean) / weight

    # spread: squared deviations of the orders around the mean used, beside the stated spread with its weight
    around = (took["days"] - days.reindex(took["part"]).to_numpy()) ** 2
    squares = around.groupby(took["part"]).sum().reindex(base.index).fillna(0.0)
    common = np.nan
    if len(took) >= 5:
        relative = (took["days"] / days.reindex(took["part"]).clip(lower=1.0).to_numpy()).to_numpy()
        common = float(np.std(relative))
    fallback = (common * days) if not np.isnan(common) else pd.Series(0.0, index=base.index)
    sd0 = base["stated_sd"].where(base["stated_sd"].notna(), fallback)
    sd = np.sqrt((_PRIOR_ORDERS * sd0**2 + squares) / weight)

    stated = base["stated_days"].notna()
    basis = np.where(
        n > 0,
        np.where(stated, "stated, corrected by past orders", "from past orders"),
        np.where(
            stated, np.where(ratio != 1, "stated, corrected by the supplier's past orders", "as stated"), "the usual"
        ),
    )
    table = pd.DataFrame(
        {"stated_days": base["stated_days"], "days": days, "sd_days": sd, "orders": n, "basis": basis}, index=base.index
    )
    return LeadTimes(table)


def _days_taken(orders: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """One row an order with a known start: part, days (taken, or waited so far), done."""
    ordered = pd.to_datetime(orders["ordered_on"])
    received = pd.to_datetime(orders["received_on"])
    today = pd.Timestamp(as_of)
    days = (received.fillna(today) - ordered).dt.days
    frame = pd.DataFrame({"part": orders["part"].astype(str), "days": days.astype(float), "done": received.notna()})
    return frame[ordered.notna() & (days >= 0)].reset_index(drop=True)
