"""What recurs, as a table: failures and their cost per unit by mileage, the rate, and whether it gets worse."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits import fleet_trends as trends
from rebuildstats.fits.rates import PER, exact_rate_interval
from rebuildstats.fits.recurrence import MeanCumulative, difference, failures_and_spells, mean_cumulative
from rebuildstats.fits.rows import numbers, texts

Array = npt.NDArray[np.float64]

BY = ("site", "duty", "origin")
COLUMNS = (
    *("family", "component", "by", "group", "units", "events", "distance", "rate", "rate_lower", "rate_upper"),
    *("mileage", "mean", "mean_lower", "mean_upper", "cost", "cost_lower", "cost_upper", "costed"),
    *("difference", "difference_lower", "difference_upper"),
    *("laplace", "laplace_worse_p", "laplace_better_p", "handbook", "handbook_df", "handbook_worse_p"),
    *("handbook_better_p", "handbook_events", "shape", "shape_lower", "shape_upper", "shape_fit_p", "reason"),
)
Key = tuple[str, str, str]  # family, component ('': the whole unit), group ('': all)


@dataclass(frozen=True, slots=True)
class Recurrences:
    """`table`: COLUMNS, a row per family, component and group; `curves`, `costs`: their mean cumulative functions."""

    table: pd.DataFrame
    curves: dict[Key, MeanCumulative] = field(default_factory=dict)
    costs: dict[Key, MeanCumulative] = field(default_factory=dict)

    def frame(self) -> pd.DataFrame:
        return self.table

    def gap(self, first: Key, second: Key, level: float = 0.90) -> pd.DataFrame:
        """One group less another over mileage, with its band (`recurrence.difference`)."""
        return difference(self.curves[first], self.curves[second], level)


def job_costs(teardowns: pd.DataFrame, issued: pd.DataFrame, parts: pd.DataFrame) -> pd.Series:
    """Money of each teardown where any is known, by job: parts issued to it (credits taken off) at today's price, and
    work done outside. The shop's own hours have no price here."""
    outside = pd.Series(numbers(teardowns["outside_cost"]), index=texts(teardowns["job"]))
    priced = issued.merge(parts[["part", "unit_cost"]], on="part", how="left")
    sign = np.where(texts(priced["kind"]) == "credit", -1.0, 1.0)
    money = pd.Series(sign * numbers(priced["quantity"]) * numbers(priced["unit_cost"]), index=texts(priced["job"]))
    money = money[(money.index != "") & money.notna()]
    spent = money.groupby(level=0).sum().reindex(outside.index)
    known = outside.notna() | spent.notna()
    total: pd.Series = (outside.fillna(0.0) + spent.fillna(0.0))[known]
    return total


def recurrence_table(
    teardowns: pd.DataFrame,
    units: pd.DataFrame,
    outcomes: pd.DataFrame,
    *,
    first_seen: pd.Series | None = None,
    costs: pd.Series | None = None,
    family: str | None = None,
    component: str | None = None,
    by: str | None = None,
    mileage: float | None = None,
    level: float = 0.90,
) -> Recurrences:
    """Failures per unit over its mileage: a row per family as a whole and per component that ever failed.

    teardowns, units, outcomes: the records of those names. costs: money by job (`job_costs`), shared among the
    components that failed in it. by: 'site', 'duty' or 'origin' of the unit today: a row per group as well, whose
    difference is to all others of the family (Nelson 2003, ch. 4). mileage: where the mean cumulative function is
    read; by default the middle of the units' mileages today. Means count failures per unit from the least mileage
    watched to that one. Trend: Laplace, Military Handbook and power-law shape over all units, each conditional on its
    own number of failures.
    """
    whole, spells = failures_and_spells(teardowns, units, None, first_seen)
    parts, _ = failures_and_spells(teardowns, units, outcomes, first_seen)
    parts = parts.drop_duplicates(["job", "component"])
    share = 1.0 / parts.groupby("job")["component"].transform("size") if len(parts) else pd.Series(dtype=float)
    events = pd.concat([whole.assign(share=1.0), parts.assign(share=share)], ignore_index=True)
    known = pd.Series(dtype=float) if costs is None else costs
    events["cost"] = numbers(events["job"].map(known)) * numbers(events["share"])
    group_of = pd.Series(texts(units[by]), index=texts(units["unit"])) if by else None
    if group_of is not None:
        events["group"], spells["group"] = (group_of.reindex(texts(f["unit"])).to_numpy() for f in (events, spells))
    curves: dict[Key, MeanCumulative] = {}
    money: dict[Key, MeanCumulative] = {}
    lines: list[dict[str, object]] = []
    for name, own_spells in spells.groupby("family", sort=True):
        if family is not None and name != family:
            continue
        own = events[events["family"] == name]
        at = float(own_spells["end"].median()) if mileage is None else mileage
        for label in ["", *sorted(set(own["component"]) - {""})]:
            if component is not None and label != component:
                continue
            mine = own[own["component"] == label]
            groups = [""] if by is None else ["", *sorted(set(own_spells["group"]) - {""})]
            for group in groups:
                key = (str(name), label, group)
                inside = [f if not group else f[f["group"] == group] for f in (mine, own_spells)]
                outside = [f[f["group"] != group] for f in (mine, own_spells)] if group else None
                line = _line(key, inside[0], inside[1], at, level, curves, money)
                if outside is not None and len(outside[1]):
                    line |= _difference(
                        curves[key], mean_cumulative(outside[0][["unit", "age"]], outside[1]), at, level
                    )
                lines.append(line | {"by": by or ""})
    table = pd.DataFrame(lines, columns=list(COLUMNS))
    for name in ("units", "events", "costed", "handbook_events"):
        table[name] = table[name].fillna(0).astype("int64")
    return Recurrences(table, curves, money)


def _line(
    key: Key,
    events: pd.DataFrame,
    spells: pd.DataFrame,
    at: float,
    level: float,
    curves: dict[Key, MeanCumulative],
    money: dict[Key, MeanCumulative],
) -> dict[str, object]:
    seen = trends.watched(events, spells)
    run = trends.exposure(spells)
    line: dict[str, object] = dict.fromkeys(COLUMNS, np.nan)
    line |= dict(zip(("family", "component", "group"), key, strict=True))
    line |= {"units": spells["unit"].nunique(), "events": len(seen), "distance": run, "mileage": at, "reason": ""}
    if run > 0:
        low, high = exact_rate_interval(len(seen), run, level)
        line |= {"rate": len(seen) / run * PER, "rate_lower": float(low) * PER, "rate_upper": float(high) * PER}
    curves[key] = mean_cumulative(events[["unit", "age"]], spells)
    line |= _read(curves[key], "mean", at, level)
    paid = events[events["cost"].notna()]
    line["costed"] = len(trends.watched(paid, spells))
    if line["costed"]:
        money[key] = mean_cumulative(paid[["unit", "age", "cost"]], spells)
        line |= _read(money[key], "cost", at, level)
    laplace, handbook, shape = (
        trends.fleet_laplace(seen),
        trends.fleet_military_handbook(seen),
        trends.fleet_shape(seen, level),
    )
    if laplace is None:
        line["reason"] = f"{len(seen)} failures: too few to say whether it gets worse"
        return line
    line |= {"laplace": laplace.statistic, "laplace_worse_p": laplace.p_worse, "laplace_better_p": laplace.p_better}
    if handbook is not None:
        line |= {"handbook": handbook.statistic, "handbook_df": handbook.degrees, "handbook_events": handbook.events}
        line |= {"handbook_worse_p": handbook.p_worse, "handbook_better_p": handbook.p_better}
    if shape is not None:
        line |= {"shape": shape.shape, "shape_lower": shape.lower, "shape_upper": shape.upper}
        line["shape_fit_p"] = shape.fit_p
    return line


def _read(curve: MeanCumulative, name: str, at: float, level: float) -> dict[str, object]:
    """A mean cumulative function at one mileage, with limits; with no event by then 0 and the bound of none seen."""
    rows = curve.frame(level)
    rows = rows[rows["age"] <= at]
    if len(rows):
        last = rows.iloc[-1]
        return {name: last["mean"], f"{name}_lower": last["lower"], f"{name}_upper": last["upper"]}
    if name == "cost":
        return {name: 0.0, f"{name}_lower": 0.0, f"{name}_upper": np.inf}
    # no failure among so many units watched: exact Poisson bound of their mean
    bound = float(exact_rate_interval(0, max(curve.units, 1), level)[1])
    return {name: 0.0, f"{name}_lower": 0.0, f"{name}_upper": bound}


def _difference(own: MeanCumulative, rest: MeanCumulative, at: float, level: float) -> dict[str, object]:
    rows = difference(own, rest, level)
    rows = rows[rows["age"] <= at]
    if rows.empty:
        return {}
    last = rows.iloc[-1]
    return {
        "difference": last["difference"],
        "difference_lower": last["lower"],
        "difference_upper": last["upper"],
    }
