"""Shelves: which site's shelf serves whom, what lies on it today and what is on its way to it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

NO_SHELF = ""  # the one shelf of a shop that has no stock table


@dataclass(frozen=True, slots=True)
class Shelves:
    """names: the sites with a shelf, in order; serves: site -> shelf for the others. counted: False when there is no
    stock table, so that nothing is known to be on hand."""

    names: tuple[str, ...]
    serves: dict[str, str]
    counted: bool

    def of(self, site: pd.Series) -> pd.Series:
        """The shelf that serves each site; missing and unknown sites are served by the first shelf."""
        known = {name: name for name in self.names} | self.serves
        code, unique = pd.factorize(site)
        shelf = np.array([known.get(str(name), self.names[0]) for name in unique] + [self.names[0]], dtype=object)
        return pd.Series(shelf[code], index=site.index, dtype="str")


def find_shelves(stock: pd.DataFrame, sites: pd.DataFrame) -> Shelves:
    """A shelf is a site with `stock` rows; `sites.served_by` names the shelf of another, over steps if need be."""
    names = tuple(sorted(stock["site"].dropna().astype(str).unique()))
    if not names:
        return Shelves((NO_SHELF,), {}, False)
    through = {
        str(site): str(by) for site, by in zip(sites["site"], sites["served_by"], strict=True) if not pd.isna(by)
    }
    serves = {}
    for site in through:
        seen, at = {site}, site
        while at not in names and at in through and through[at] not in seen:
            at = through[at]
            seen.add(at)
        if at in names:
            serves[site] = at
    return Shelves(names, serves, True)


def stock_today(
    shelves: Shelves, stock: pd.DataFrame, orders: pd.DataFrame, issued: pd.DataFrame, as_of: date
) -> pd.DataFrame:
    """One row per part and shelf where something is known. Columns: part, shelf, counted_on, on_hand (last count less
    issues after it plus credits and receipts after it; never below zero), missing (pieces by which the books fall
    below zero), on_order (listed orders not yet received, and those the stock sheet has without an order).
    """
    counted = pd.DataFrame(
        {
            "part": stock["part"].astype(str),
            "shelf": shelves.of(stock["site"]),
            "counted_on": pd.to_datetime(stock["counted_on"]),
            "count": pd.to_numeric(stock["on_hand"]).astype(float).fillna(0.0),
            "unlisted": pd.to_numeric(stock["on_order"]).astype(float).fillna(0.0),
        }
    ).set_index(["part", "shelf"])
    changes = moves(shelves, orders, issued).join(counted["counted_on"], on=["part", "shelf"])
    # a count without a date stands for today; with no count at all nothing is known to lie there
    after = changes[changes["counted_on"].notna() & (changes["on"] > changes["counted_on"])]
    net = after.groupby(["part", "shelf"])["pieces"].sum()
    coming = open_orders(shelves, orders, as_of).groupby(["part", "shelf"])["pieces"].sum()
    frame = pd.concat([counted, net.rename("net"), coming.rename("coming")], axis=1)
    frame.index = frame.index.set_names(["part", "shelf"])
    book = frame["count"].fillna(0.0).astype(float) + frame["net"].fillna(0.0).astype(float)
    return pd.DataFrame(
        {
            "counted_on": frame["counted_on"],
            "on_hand": book.clip(lower=0.0),
            "missing": (-book).clip(lower=0.0),
            "on_order": frame["unlisted"].fillna(0.0).astype(float) + frame["coming"].fillna(0.0).astype(float),
        }
    ).reset_index()


def moves(shelves: Shelves, orders: pd.DataFrame, issued: pd.DataFrame) -> pd.DataFrame:
    """Pieces in (+) and out (-) by day: part, shelf, on, pieces."""
    back = (issued["kind"].fillna("issue").astype(str) == "credit").to_numpy()
    out = pd.DataFrame(
        {
            "part": issued["part"].astype(str),
            "shelf": shelves.of(issued["site"]),
            "on": pd.to_datetime(issued["issued_on"]),
            "pieces": np.where(back, 1.0, -1.0) * pd.to_numeric(issued["quantity"]).astype(float).to_numpy(),
        }
    )
    got = orders[orders["received_on"].notna()]
    into = pd.DataFrame(
        {
            "part": got["part"].astype(str),
            "shelf": shelves.of(got["site"]),
            "on": pd.to_datetime(got["received_on"]),
            "pieces": pd.to_numeric(got["received_quantity"]).fillna(pd.to_numeric(got["quantity"])).astype(float),
        }
    )
    return pd.concat([out, into], ignore_index=True)


def open_orders(shelves: Shelves, orders: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Orders not yet received: order, part, shelf, ordered_on, due_on, pieces still to come, late_days (0: not late;
    without a due date never late)."""
    todo = orders[orders["received_on"].isna()]
    due = pd.to_datetime(todo["due_on"])
    late = (pd.Timestamp(as_of) - due).dt.days.astype(float)
    came = pd.to_numeric(todo["received_quantity"]).astype(float).fillna(0.0)
    pieces = pd.to_numeric(todo["quantity"]).astype(float) - came
    frame = pd.DataFrame(
        {
            "order": todo["order"].astype(str),
            "part": todo["part"].astype(str),
            "shelf": shelves.of(todo["site"]),
            "ordered_on": pd.to_datetime(todo["ordered_on"]),
            "due_on": due,
            "pieces": pieces.fillna(0.0).clip(lower=0.0),
            "late_days": late.fillna(0.0).clip(lower=0.0),
        }
    )
    return frame[frame["pieces"] > 0].reset_index(drop=True)


def last_successors(parts: pd.DataFrame) -> dict[str, str]:
    """Every replaced part -> the part that stands for it today; a ring of replacements stops before it closes."""
    by = {str(a): str(b) for a, b in zip(parts["part"], parts["replaced_by"], strict=True) if not pd.isna(b)}
    result = {}
    for part in by:
        seen, at = {part}, part
        while at in by and by[at] not in seen:
            at = by[at]
            seen.add(at)
        if at != part:
            result[part] = at
    return result
