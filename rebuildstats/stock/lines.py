"""The lines of an order: one per part and shelf, with every figure that its reason needs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.stock.goals import Budget, Goal
from rebuildstats.stock.outlook import YEAR, Outlook
from rebuildstats.stock.reasons import line_reason
from rebuildstats.stock.shelf_life import out_of_date

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COLUMNS = (
    "part",
    "site",
    "on_hand",
    "on_order",
    "lead_time_days",
    "lead_time_mean",
    "lead_time_q95",
    "reorder_point",
    "order_up_to",
    "order_now",
    "unit_cost",
    "order_cost",
    "part_fill",
    "held_jobs_avoided",
    "reason",
)
MORE = (
    "name",
    "supplier",
    "pack_size",
    "min_order",
    "lead_sd",
    "lead_orders",
    "jobs_a_year",
    "pieces_a_year",
    "chance_each",
    "booked",
    "wanted_by",
    "level_all_year",
    "out_of_date",
    "safety",
    "buy_to_order",
    "why_not_stocked",
    "not_reached",
)


def order_lines(goal: Goal, ahead: Outlook, levels: Ints, today: Ints) -> pd.DataFrame:
    """One row an item: the contract's columns (COLUMNS), MORE, and the figures of the reason.

    levels: those of the whole horizon, from which fill rates are read; today: those to order up to now.
    """
    items, wants, jobs = ahead.items, ahead.wants, ahead.jobs
    table = items.table
    n = len(table)
    a_year = YEAR / (ahead.draws * ahead.days)
    lines = table.copy()
    lines["lead_time_mean"] = ahead.soon.mean
    lines["lead_time_q95"] = ahead.soon.quantile(0.95)
    lines["usual_mean"] = wants.mean_rate() * table["lead_time_days"]
    lines["order_up_to"] = today
    lines["reorder_point"] = today - 1
    lines["level_all_year"] = levels
    position = (table["on_hand"] + table["on_order"] + table["old_stock"]).to_numpy(float)
    pack, least = table["pack_size"].to_numpy(float), table["min_order"].to_numpy(float)
    order = to_order(today, position, pack, least)
    order[table["replaced_by"].notna().to_numpy()] = 0
    lines["order_now"] = order
    lines["order_cost"] = lines["order_now"] * table["unit_cost"]
    lines["part_fill"] = wants.piece_fill(levels)
    use = jobs.filled(levels)[jobs.line_job]
    lines["held_jobs_avoided"] = np.bincount(jobs.line_item[use], minlength=n) * a_year
    lines["jobs_a_year"] = np.bincount(jobs.line_item, minlength=n) * a_year
    lines["pieces_a_year"] = wants.mean_rate() * YEAR
    lines["first_piece_jobs"] = _first_piece(ahead, levels) * a_year
    life = table["shelf_life_days"].to_numpy(float)
    stale = out_of_date(wants, life, position + order)
    lines["out_of_date"] = np.where(order > 0, stale, 0.0)
    lines["wanted_by"] = pd.Timestamp(ahead.as_of) + pd.to_timedelta(_first_wanted(ahead), unit="D")
    _family_figures(lines, ahead, a_year)
    lines["buy_to_order"] = (today == 0) & (lines["pieces_a_year"] > 0) & table["replaced_by"].isna()
    lines["why_not_stocked"] = _why_not(goal, lines, ahead)
    lines["not_reached"] = isinstance(goal, Budget) & lines["safety"] & lines["buy_to_order"]
    lines["days"] = ahead.days
    lines["counted"] = items.shelves.counted
    records: list[dict[str, Any]] = lines.to_dict("records")  # type: ignore[assignment]
    lines["reason"] = [line_reason(record) for record in records]
    return lines


def to_order(levels: Ints, position: Floats, pack: Floats, least: Floats) -> Ints:
    """Pieces to order: up to the level, no fewer than the supplier's least, in whole packs; none at or above it."""
    short = np.ceil(levels - position - 1e-9)
    packs = np.ceil(np.maximum(short, least) / pack - 1e-9)
    return np.asarray(np.where(short > 0, packs * pack, 0), np.int64)


def _first_piece(ahead: Outlook, levels: Ints) -> Floats:
    """Jobs in all futures with no other unmet need that one piece more would serve, per item."""
    jobs = ahead.jobs
    unmet = jobs.line_need > levels[jobs.line_item]
    lacking = np.bincount(jobs.line_job, weights=unmet, minlength=len(jobs.weight))
    alone = unmet & (lacking[jobs.line_job] == 1) & (jobs.line_need == levels[jobs.line_item] + 1)
    return np.bincount(jobs.line_item[alone], minlength=len(levels)).astype(float)


def _first_wanted(ahead: Outlook) -> Floats:
    """Per item, the day by which it is wanted for the first time in half of the futures; NaN: in fewer than half."""
    wants = ahead.wants
    first = np.full((ahead.draws, wants.items), np.inf)
    np.minimum.at(first, (wants.draw, wants.item), np.ceil(wants.day))
    middle = np.quantile(first, 0.5, axis=0, method="inverted_cdf") if ahead.draws else np.full(wants.items, np.inf)
    return np.where(np.isfinite(middle), middle, np.nan)


def _why_not(goal: Goal, lines: pd.DataFrame, ahead: Outlook) -> list[str]:
    """Why a part that is wanted is not stocked; empty for all others. Dear and slow: above the middle price, and below
    the middle number of jobs, of what is stocked; with a budget it is the money that ends."""
    stocked = lines[lines["order_up_to"] > 0]
    dear = float(stocked["unit_cost"].median()) if stocked["unit_cost"].notna().any() else np.inf
    slow = float(stocked["jobs_a_year"].median()) if len(stocked) else np.inf
    words = []
    for row, most in zip(lines.to_dict("records"), ahead.most, strict=True):
        if not row["buy_to_order"]:
            words.append("")
        elif most == 0:
            words.append("it would go out of date")
        elif row["jobs_a_year"] <= 0:
            words.append("no teardown waits for it")
        elif isinstance(goal, Budget):
            words.append("the money spares more waits elsewhere")
        elif row["unit_cost"] > dear:
            words.append("too dear")
        else:
            words.append("too slow" if row["jobs_a_year"] < slow else "its money spares more waits elsewhere")
    return words


def _family_figures(lines: pd.DataFrame, ahead: Outlook, a_year: float) -> None:
    """Adds families (words), family_jobs_a_year and chance_each: of the teardowns of the families that use it; booked:
    units of those families whose teardown is booked for the lead time."""
    jobs = ahead.futures[ahead.futures["teardown"].notna()]
    all_jobs = jobs[["draw", "teardown", "family", "shelf"]].drop_duplicates(["draw", "teardown"])
    per_family = all_jobs.groupby(["family", "shelf"]).size()
    users = jobs[["part", "shelf", "family"]].dropna().drop_duplicates()
    users["jobs"] = per_family.reindex(pd.MultiIndex.from_frame(users[["family", "shelf"]])).to_numpy(float)
    grouped = users.groupby(["part", "shelf"]).agg(
        jobs=("jobs", "sum"), names=("family", lambda f: ", ".join(sorted(f)) if len(f) <= 2 else f"{len(f)} families'")
    )
    index = pd.MultiIndex.from_frame(ahead.items.table[["part", "site"]])
    found = grouped.reindex(index)
    lines["families"] = found["names"].fillna("").to_numpy()
    lines["family_jobs_a_year"] = found["jobs"].fillna(0.0).to_numpy(float) * a_year
    share = lines["jobs_a_year"] / lines["family_jobs_a_year"].where(lines["family_jobs_a_year"] > 0)
    lines["chance_each"] = share.fillna(0.0)

    where = jobs.drop_duplicates("unit").set_index("unit")[["family", "shelf"]]
    planned = ahead.history.planned
    booked = planned[planned["unit"].isin(where.index)].drop_duplicates(["unit", "due_on"])
    booked = booked[["unit", "due_on"]].join(where, on="unit")
    booked["day"] = (pd.to_datetime(booked["due_on"]) - pd.Timestamp(ahead.as_of)).dt.days
    booked = booked[booked["day"] > 0].merge(users, on=["family", "shelf"])
    lead = pd.Series(lines["lead_time_days"].to_numpy(float), index=index)
    near = booked["day"].to_numpy(float) <= lead.reindex(pd.MultiIndex.from_frame(booked[["part", "shelf"]])).to_numpy()
    lines["booked"] = booked[near].groupby(["part", "shelf"]).size().reindex(index).fillna(0).to_numpy(np.int64)
