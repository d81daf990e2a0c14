"""How many pieces to buy at once: the lot that costs least in a year, beside what packs and least quantities force."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rebuildstats.errors import UsageError
from rebuildstats.stock.outlook import YEAR, Outlook
from rebuildstats.stock.pipeline import economic_lot
from rebuildstats.stock.reasons import count, days, pieces
from rebuildstats.stock.shelf_life import UNLIMITED

COLUMNS = [
    "part", "site", "name", "supplier", "pieces_a_year", "unit_cost", "pack_size", "min_order", "lot", "lasts_days",
    "orders_a_year", "yearly_cost", "least_lot", "least_lot_cost", "saving", "reason",
]  # fmt: skip


def economic_lots(ahead: Outlook, *, order_cost: float, holding: float) -> pd.DataFrame:
    """One row per part and shelf that is wanted and has a price (COLUMNS), most money saved first.

    order_cost: money that one order line costs to place, receive and book in, whatever its size. holding: share of a
    piece's price that a year on the shelf costs. lot: whole packs, no fewer than the supplier's least, no more than
    will be used within the shelf life; yearly_cost: ordering and holding for it; least_lot: the smallest that can be
    bought, with its cost (Harris 1913). Raises UsageError for costs that can't be.
    """
    check_costs(order_cost, holding)
    table = ahead.items.table
    yearly = ahead.wants.mean_rate() * YEAR
    rows = []
    for i, row in enumerate(table.to_dict("records")):
        price, pack = float(row["unit_cost"]), int(row["pack_size"])
        if yearly[i] <= 0 or not price > 0 or isinstance(row["replaced_by"], str):
            continue
        least = max(int(np.ceil(row["min_order"] / pack)), 1) * pack
        most = UNLIMITED if ahead.most[i] == UNLIMITED else int(ahead.most[i])
        best = economic_lot(yearly[i], price, order_cost, holding * price, pack).lot
        lot = max(min(best, most // pack * pack), least)
        cost, least_cost = (_yearly(yearly[i], n, order_cost, holding * price) for n in (lot, least))
        lasts = YEAR * lot / yearly[i]
        words = (
            f"{count(yearly[i])} pieces a year: {pieces(lot)} at once last {days(lasts)} and cost {cost:,.2f} a year "
            "to order and hold"
        )
        words += f", against {least_cost:,.2f} with {pieces(least)} at once." if lot > least else "."
        if best > lot:
            words += f" {pieces(best)} would be cheaper, but would go out of date."
        elif lot > best:
            words += f" {pieces(best)} would be cheaper, but the supplier sells no fewer."
        rows.append(
            (row["part"], row["site"], row["name"], row["supplier"], yearly[i], price, pack, row["min_order"], lot,
             lasts, yearly[i] / lot, cost, least, least_cost, least_cost - cost, words)
        )  # fmt: skip
    frame = pd.DataFrame(rows, columns=COLUMNS)
    for column in ("unit_cost", "yearly_cost", "least_lot_cost", "saving"):
        frame[column] = frame[column].astype(float).round(2)
    return frame.sort_values(["saving", "part", "site"], ascending=[False, True, True], ignore_index=True)


def check_costs(order_cost: float, holding: float) -> None:
    """Raise UsageError for costs that can't be."""
    if not (np.isfinite(order_cost) and order_cost > 0):
        raise UsageError(f"The cost of placing an order must be above zero, not {order_cost:g}.")
    if not (np.isfinite(holding) and holding > 0):
        raise UsageError(f"The holding cost is a share of the price a year above zero, such as 0.2, not {holding:g}.")


def _yearly(pieces_a_year: float, lot: float, order_cost: float, holding: float) -> float:
    return order_cost * pieces_a_year / lot + holding * lot / 2
