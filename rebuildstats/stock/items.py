"""Items: every part at every shelf where it can matter, with its price, lead time and today's stock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.stock.goals import StockHistory
from rebuildstats.stock.lead_time import LeadTimes, days_pmf, learn_lead_times
from rebuildstats.stock.shelves import Shelves, find_shelves, last_successors, stock_today
from rebuildstats.stock.suppose import WhatIf

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Items:
    """table: one row an item. Columns: part, site (its shelf), name, supplier, unit_cost (NaN: unknown), pack_size,
    min_order, shelf_life_days, lead_time_days, lead_sd, lead_orders, lead_basis, replaced_by (the part that stands for
    it now; missing: itself), counted_on, on_hand, missing, on_order, old_stock (pieces of replaced parts to be used up
    first), safety. shelves: who serves whom. lead_times: per part.
    """

    table: pd.DataFrame
    shelves: Shelves
    lead_times: LeadTimes

    def code(self, part: pd.Series, shelf: pd.Series) -> Ints:
        """Row of each part and shelf; -1 where there is none."""
        index = pd.MultiIndex.from_frame(self.table[["part", "site"]])
        return np.asarray(index.get_indexer(pd.MultiIndex.from_arrays([part, shelf])), np.int64)

    def search_cost(self) -> Floats:
        """Price per piece for the search; a part without a price is taken at the middle price."""
        cost = self.table["unit_cost"].to_numpy(float, copy=True)
        known = cost[~np.isnan(cost)]
        cost[np.isnan(cost)] = float(np.median(known)) if len(known) else 1.0
        return cost

    def lead_pmfs(self) -> Sequence[Floats]:
        """Per item, the chance of each whole number of days of its lead time."""
        lead = list(self.table[["lead_time_days", "lead_sd"]].itertuples(index=False, name=None))
        pmfs = {key: days_pmf(*key) for key in set(lead)}
        return [pmfs[key] for key in lead]


def wanted_parts(futures: pd.DataFrame, history: StockHistory, shelves: Shelves) -> pd.DataFrame:
    """The futures with every want on a shelf that exists and on the part that stands for a replaced one today."""
    successors = last_successors(history.parts)
    part = futures["part"].astype("str")
    old = part.isin(list(successors))
    part = part.where(~old, part.map(lambda name: successors.get(name, name))) if old.any() else part
    return futures.assign(part=part, shelf=shelves.of(futures["shelf"]))


def make_items(futures: pd.DataFrame, history: StockHistory, as_of: date, what_if: WhatIf) -> Items:
    """Items from the tables and from what the futures want (see `wanted_parts`): each part that is not replaced stands
    at every shelf where it is wanted, lies or is on its way, and at least at the first shelf; a replaced part stands
    where it still lies or is on its way."""
    shelves = find_shelves(history.stock, history.sites)
    lead_times = learn_lead_times(history.parts, history.orders, as_of)
    today = stock_today(shelves, history.stock, history.orders, history.issued_parts, as_of)
    successors = last_successors(history.parts)
    parts = history.parts
    live = parts.loc[~parts["part"].isin(list(successors)), "part"].astype(str)
    wanted = futures.loc[futures["part"].notna(), ["part", "shelf"]].drop_duplicates()
    lies = today.loc[(today["on_hand"] > 0) | (today["on_order"] > 0), ["part", "shelf"]]
    both = pd.concat([wanted, lies])
    lone = live[~live.isin(both["part"])]
    pairs = pd.concat([both, pd.DataFrame({"part": lone, "shelf": shelves.names[0]})]).astype(
        {"part": str, "shelf": str}
    )
    pairs = pairs.drop_duplicates().sort_values(["part", "shelf"]).reset_index(drop=True)
    pairs = pairs[pairs["part"].isin(parts["part"])]

    detail = parts.assign(part=parts["part"].astype(str)).set_index("part")
    table = pairs.rename(columns={"shelf": "site"}).reset_index(drop=True)
    at = detail.reindex(table["part"])
    for column in ("name", "supplier"):
        table[column] = at[column].to_numpy()
    cost = pd.to_numeric(at["unit_cost"]).astype(float).to_numpy()
    table["unit_cost"] = [what_if.priced(p, float(c)) for p, c in zip(table["part"], cost, strict=True)]
    table["pack_size"] = pd.to_numeric(at["pack_size"]).astype(float).fillna(1.0).clip(lower=1.0).to_numpy()
    table["min_order"] = pd.to_numeric(at["min_order"]).astype(float).fillna(0.0).to_numpy()
    table["shelf_life_days"] = pd.to_numeric(at["shelf_life_days"]).astype(float).to_numpy()
    leads = lead_times.table.reindex(table["part"])
    days, spreads = leads["days"].astype(float), leads["sd_days"].astype(float)
    supposed = [what_if.lead(*each) for each in zip(table["part"], days, spreads, strict=True)]
    table["lead_time_days"], table["lead_sd"] = np.array(supposed, float).reshape(-1, 2).T
    table["lead_orders"] = leads["orders"].to_numpy()
    table["lead_basis"] = leads["basis"].to_numpy()
    table["replaced_by"] = pd.array([successors.get(p) for p in table["part"]], dtype="str")
    table = table.merge(today.rename(columns={"shelf": "site"}), on=["part", "site"], how="left")
    for column in ("on_hand", "missing", "on_order"):
        table[column] = table[column].fillna(0.0)
    old = table[table["replaced_by"].notna()]
    left = (old["on_hand"] + old["on_order"]).groupby([old["replaced_by"], old["site"]]).sum()
    table["old_stock"] = [float(left.get((p, s), 0.0)) for p, s in zip(table["part"], table["site"], strict=True)]
    table["safety"] = table["part"].isin(safety_parts(history, successors))
    return Items(table, shelves, lead_times)


def safety_parts(history: StockHistory, successors: dict[str, str]) -> set[str]:
    """Parts (as they stand today) of components whose failure can hurt someone."""
    flagged = history.components[history.components["safety"].fillna(False).astype(bool)]
    uses = history.part_uses.merge(flagged[["family", "component"]], on=["family", "component"])
    return {successors.get(str(p), str(p)) for p in uses["part"]}
