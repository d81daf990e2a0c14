"""Money against held jobs: the best that each sum can do, and where the shop stands beside it."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.stock.goals import StockHistory
from rebuildstats.stock.items import Items
from rebuildstats.stock.job_fill import Jobs, fill_rate
from rebuildstats.stock.search import frontier
from rebuildstats.stock.shelves import moves

Ints = NDArray[np.int64]

_WIDE = 0.05
_HABIT_DAYS = 730.0  # orders older than two years say little about how the shop orders now


def exchange_curve(search: Jobs, check: Jobs, *, jobs_a_year: float, points: int = 24) -> pd.DataFrame:
    """The efficient sums of money, least first. Columns: money, job_fill with job_fill_lower and job_fill_upper (90 %),
    held_jobs (a year), step_cost (money for each job a year less that is held, from the row before).

    search: the futures that choose the levels; check: those that the job fill rate is read from.
    """
    rows = []
    for levels in frontier(search, points, _WIDE):
        got = fill_rate(check, levels)
        rows.append((search.money(levels), got.rate, got.lower, got.upper, (1 - got.rate) * jobs_a_year))
    frame = pd.DataFrame(rows, columns=["money", "job_fill", "job_fill_lower", "job_fill_upper", "held_jobs"])
    # on futures that chose nothing a dearer corner may come out a hair lower: such a step buys nothing
    frame = frame[frame["job_fill"] > frame["job_fill"].shift(1, fill_value=-1.0).cummax()].reset_index(drop=True)
    frame["step_cost"] = frame["money"].diff() / -frame["held_jobs"].diff()
    return frame


def marks(curve: pd.DataFrame, check: Jobs, levels: dict[str, Ints], jobs_a_year: float) -> pd.DataFrame:
    """Sets of levels beside the curve. Columns: label, money, job_fill, job_fill_lower, job_fill_upper, held_jobs,
    same_money_fill (what the best levels for that money reach), same_fill_money (what the best levels with that job
    fill rate cost)."""
    rows = []
    for label, chosen in levels.items():
        got, money = fill_rate(check, chosen), check.money(chosen)
        best = float(np.interp(money, curve["money"], curve["job_fill"])) if len(curve) else got.rate
        least = float(np.interp(got.rate, curve["job_fill"], curve["money"])) if len(curve) else money
        rows.append(
            (
                label,
                money,
                got.rate,
                got.lower,
                got.upper,
                (1 - got.rate) * jobs_a_year,
                max(best, got.rate),
                min(least, money),
            )
        )
    columns = ["label", "money", "job_fill", "job_fill_lower", "job_fill_upper", "held_jobs"]
    return pd.DataFrame(rows, columns=[*columns, "same_money_fill", "same_fill_money"])


def shelf_levels(items: Items) -> Ints:
    """Today's shelf as levels: whole pieces on hand and on order, replaced parts standing in for what follows them."""
    table = items.table
    pieces = table["on_hand"] + table["on_order"] + table["old_stock"]
    return np.floor(pieces.where(table["replaced_by"].isna(), 0.0).to_numpy(float) + 1e-9).astype(np.int64)


def habit_levels(items: Items, history: StockHistory, as_of: date) -> Ints:
    """Today's habit as levels: where the shop's own orders of the last two years took its position (on hand and on
    order), the middle order of each part; a part never ordered stands at what it has.

    A position changes by orders (up) and issues (down) alone, so it is followed back from today's: the position after
    an order is today's, plus what was issued since, less what was ordered since.
    """
    today = pd.Timestamp(as_of)
    orders = history.orders
    ups = pd.DataFrame(
        {
            "item": items.code(orders["part"].astype("str"), items.shelves.of(orders["site"])),
            "on": pd.to_datetime(orders["ordered_on"]),
            "pieces": pd.to_numeric(orders["quantity"]).astype(float),
        }
    )
    out = moves(items.shelves, orders.iloc[:0], history.issued_parts)
    downs = pd.DataFrame({"item": items.code(out["part"], out["shelf"]), "on": out["on"], "pieces": out["pieces"]})
    ups = ups[(ups["item"] >= 0) & ups["on"].notna()]
    all_moves = pd.concat([ups.assign(order=True), downs[downs["item"] >= 0].assign(order=False)], ignore_index=True)
    # on one day issues come first: the order answers them
    all_moves = all_moves.sort_values(["item", "on", "order"], kind="stable")
    since = all_moves.groupby("item")["pieces"].transform(lambda p: p[::-1].cumsum()[::-1]) - all_moves["pieces"]
    now = (items.table["on_hand"] + items.table["on_order"]).to_numpy(float)
    after = pd.Series(now[all_moves["item"].to_numpy(np.int64)], index=all_moves.index) - since
    recent = all_moves["order"] & (all_moves["on"] >= today - pd.Timedelta(days=_HABIT_DAYS))
    middle = after[recent].groupby(all_moves.loc[recent, "item"]).median()
    levels = shelf_levels(items)
    levels[middle.index.to_numpy(np.int64)] = np.maximum(np.round(middle.to_numpy()), 0).astype(np.int64)
    levels[items.table["replaced_by"].notna().to_numpy()] = 0
    return levels
