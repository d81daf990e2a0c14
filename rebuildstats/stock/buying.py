"""Lists beside the order: what lies dead, what runs short too soon, what is late, and the order by supplier."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.stock.items import Items
from rebuildstats.stock.job_fill import Wants
from rebuildstats.stock.lead_time import LeadTimes
from rebuildstats.stock.reasons import count, percent, pieces

_DEAD_CHANCE = 0.99  # what is not needed in 99 futures of 100 is not foreseeably needed
_SHORT_CHANCE = 0.1


def dead_stock(items: Items, wants: Wants, levels: NDArray[np.int64]) -> pd.DataFrame:
    """What lies on a shelf that no foreseeable teardown or sale needs, most money first.

    Columns: part, site, on_hand, needed (pieces not exceeded within the horizon in 99 futures of 100, or the level to
    be held where that is higher), dead (pieces beyond it), money (NaN: no price), reason. A replaced part's pieces are
    used up for the part that follows it; only what exceeds that part's need counts.
    """
    total = np.zeros((wants.draws, wants.items))
    np.add.at(total, (wants.draw, wants.item), wants.quantity)
    need = np.quantile(total, _DEAD_CHANCE, axis=0, method="higher") if wants.draws else np.zeros(wants.items)
    need = np.maximum(need, levels)
    table = items.table
    where = {(p, s): i for i, (p, s) in enumerate(zip(table["part"], table["site"], strict=True))}
    for i, (by, site) in enumerate(zip(table["replaced_by"], table["site"], strict=True)):
        if isinstance(by, str) and (by, site) in where:
            need[i] += need[where[by, site]]
    dead = np.floor(table["on_hand"].to_numpy(float) - need + 1e-9)
    frame = table.loc[dead > 0, ["part", "site", "name", "on_hand"]].copy()
    frame["needed"] = need[dead > 0]
    frame["dead"] = dead[dead > 0]
    frame["money"] = (frame["dead"] * table.loc[dead > 0, "unit_cost"]).round(2)
    frame["reason"] = [
        f"{pieces(d)} of {pieces(h)} on the shelf are more than the next {wants.days:.0f} days need: "
        + (f"at most {pieces(n)} in 99 futures of 100." if n > 0 else "nothing foreseen needs it.")
        for d, h, n in zip(frame["dead"], frame["on_hand"], frame["needed"], strict=True)
    ]
    return frame.sort_values(["money", "dead"], ascending=False, na_position="last").reset_index(drop=True)


def short_before_arrival(items: Items, wants: Wants, coming: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """What may run out before anything ordered today can arrive, likeliest first.

    coming: open orders (see `shelves.open_orders`); one without a due date, or late, is expected after its part's
    lead time from the day it was ordered, at the earliest after a tenth of that from today. Columns: part, site,
    on_hand, on_order, arrives_on (an order placed today), chance_short, chance_lower, chance_upper (90 %, Wilson),
    pieces_short (mean), jobs_held (mean number of teardowns that meet an empty shelf), runs_out_on (middle day where it
    runs out; missing: it mostly does not), reason.
    """
    table = items.table
    today = pd.Timestamp(as_of)
    lead = table["lead_time_days"].to_numpy(float)
    order = np.lexsort((wants.day, wants.draw, wants.item))
    item, draw, day = wants.item[order], wants.draw[order], wants.day[order]
    quantity, job = wants.quantity[order], wants.job[order]
    near = day < lead[item]
    item, draw, day, quantity, job = item[near], draw[near], day[near], quantity[near], job[near]
    start = np.r_[0, np.flatnonzero((item[1:] != item[:-1]) | (draw[1:] != draw[:-1])) + 1] if len(item) else []
    size = np.diff(np.r_[start, len(item)]).astype(np.int64)
    run = np.cumsum(quantity)
    taken = run - np.repeat(run[start] - quantity[start], size) if len(item) else run
    have = table["on_hand"].to_numpy(float) + table["old_stock"].to_numpy(float)
    there = have[item]
    for i, expected, number in _expected(items, coming, today):
        there = there + np.where((item == i) & (day >= expected), number, 0.0)
    short = np.clip(taken - there, 0.0, quantity)
    out = short > 1e-9
    rows = []
    for i in np.unique(item[out]):
        mine = out & (item == i)
        draws_out, first = np.unique(draw[mine], return_index=True)
        chance = len(draws_out) / wants.draws
        days_out = np.full(wants.draws, np.inf)
        days_out[draws_out] = day[mine][first]
        middle = float(np.median(days_out))
        low, high = _wilson(chance, wants.draws)
        held = float((mine & (job >= 0)).sum()) / wants.draws
        rows.append((int(i), chance, low, high, float(short[mine].sum()) / wants.draws, held, middle))
    columns = ["row", "chance_short", "chance_lower", "chance_upper", "pieces_short", "jobs_held", "runs_out"]
    found = pd.DataFrame(rows, columns=columns).astype({"row": np.int64, "runs_out": float, "chance_short": float})
    found = found[found["chance_short"] >= _SHORT_CHANCE]
    at = table.loc[found["row"]].reset_index(drop=True)
    found = found.reset_index(drop=True)
    frame = at[["part", "site", "name", "on_hand", "on_order"]].copy()
    frame["arrives_on"] = today + pd.to_timedelta(np.ceil(at["lead_time_days"]), unit="D")
    for column in columns[1:6]:
        frame[column] = found[column]
    finite = found["runs_out"].where(np.isfinite(found["runs_out"]))
    frame["runs_out_on"] = today + pd.to_timedelta(np.floor(finite), unit="D")
    frame["reason"] = [
        f"{percent(c)} chance that the {pieces(h)} on the shelf and {pieces(o)} on order run out within the "
        f"{d:.0f} days that an order takes: {count(j)} teardowns would wait."
        for c, h, o, d, j in zip(
            frame["chance_short"],
            frame["on_hand"],
            frame["on_order"],
            at["lead_time_days"],
            frame["jobs_held"],
            strict=True,
        )
    ]
    return frame.sort_values(["chance_short", "jobs_held"], ascending=False).reset_index(drop=True)


def _expected(items: Items, coming: pd.DataFrame, today: pd.Timestamp) -> list[tuple[int, float, float]]:
    """(item, days from today, pieces) of every open order, and of what the stock sheet has on order without one."""
    table = items.table
    lead = table["lead_time_days"].to_numpy(float)
    code = items.code(coming["part"].astype("str"), coming["shelf"].astype("str"))
    result = []
    listed = np.zeros(len(table))
    for i, due, ordered, number in zip(code, coming["due_on"], coming["ordered_on"], coming["pieces"], strict=True):
        if i < 0:
            continue
        listed[i] += number
        days = (due - today).days if pd.notna(due) else -1
        if days < 0:
            waited = (today - ordered).days if pd.notna(ordered) else 0
            days = max(lead[i] - waited, lead[i] / 10)
        result.append((int(i), float(days), float(number)))
    rest = table["on_order"].to_numpy(float) - listed
    # no date at all: it may come any day of the lead time, the middle stands for it
    result += [(int(i), lead[i] / 2, float(rest[i])) for i in np.flatnonzero(rest > 1e-9)]
    return result


def _wilson(share: float, n: int, z: float = 1.6448536) -> tuple[float, float]:
    middle = share + z * z / (2 * n)
    wide = z * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return float(max((middle - wide) / (1 + z * z / n), 0.0)), float(min((middle + wide) / (1 + z * z / n), 1.0))


def by_supplier(lines: pd.DataFrame, least_money: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Today's order by supplier, most money first.

    lines: the order's lines. least_money: supplier -> the least sum it delivers for, where there is one. Columns:
    supplier, lines, pieces, money, extra_pieces and extra_money (because of packs and least quantities), least_money,
    lacking (money below the least sum), fill_up (the parts nearest to their reorder point, which could be ordered
    along to reach it), days (the slowest of its lines).
    """
    least_money = least_money or {}
    known = lines.assign(supplier=lines["supplier"].fillna(""))
    todo = known[known["order_now"] > 0]
    rows = []
    for supplier, mine in todo.groupby("supplier"):
        short = mine["order_up_to"] - mine["on_hand"] - mine["on_order"] - mine["old_stock"]
        extra = (mine["order_now"] - np.ceil(short)).clip(lower=0)
        money = float(np.nansum(mine["order_cost"]))
        least = float(least_money.get(str(supplier), np.nan))
        lacking = max(least - money, 0.0) if not np.isnan(least) else 0.0
        spare = known[(known["supplier"] == supplier) & (known["order_now"] == 0) & (known["pieces_a_year"] > 0)]
        room = (spare["on_hand"] + spare["on_order"] - spare["order_up_to"]) / spare["pieces_a_year"]
        along = list(spare.loc[room.sort_values().index, "part"].head(5)) if lacking > 0 else []
        rows.append(
            {
                "supplier": supplier,
                "lines": len(mine),
                "pieces": float(mine["order_now"].sum()),
                "money": round(money, 2),
                "extra_pieces": float(extra.sum()),
                "extra_money": round(float(np.nansum(extra * mine["unit_cost"])), 2),
                "least_money": least,
                "lacking": round(lacking, 2),
                "fill_up": ", ".join(along),
                "days": float(mine["lead_time_days"].max()),
            }
        )
    columns = [
        "supplier",
        "lines",
        "pieces",
        "money",
        "extra_pieces",
        "extra_money",
        "least_money",
        "lacking",
        "fill_up",
    ]
    frame = pd.DataFrame(rows, columns=[*columns, "days"])
    return frame.sort_values("money", ascending=False).reset_index(drop=True)


def overdue(coming: pd.DataFrame, lead_times: LeadTimes, as_of: date) -> pd.DataFrame:
    """Open orders past their due date, or without one past their part's lead time; the latest first.

    Columns: order, part, site, pieces, ordered_on, due_on, late_days, reason.
    """
    today = pd.Timestamp(as_of)
    lead = coming["part"].map(lead_times.table["days"]).astype(float)
    usual = coming["ordered_on"] + pd.to_timedelta(np.ceil(lead), unit="D")
    frame = coming.rename(columns={"shelf": "site"}).drop(columns="late_days")
    late = (today - frame["due_on"].fillna(usual)).dt.days
    frame["late_days"] = late.astype(float)
    frame["reason"] = [
        f"{pieces(n)} pieces {'due ' + due.date().isoformat() if pd.notna(due) else 'expected by their lead time'}, "
        f"{d:.0f} days late."
        for n, due, d in zip(frame["pieces"], frame["due_on"], frame["late_days"].fillna(0), strict=True)
    ]
    columns = ["order", "part", "site", "pieces", "ordered_on", "due_on", "late_days", "reason"]
    return frame.loc[frame["late_days"] > 0, columns].sort_values("late_days", ascending=False).reset_index(drop=True)
