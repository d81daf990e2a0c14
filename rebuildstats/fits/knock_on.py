"""Knock-on: which failure ruins which neighbours, how often, and what it would save to catch it earlier."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rebuildstats.fits.proportions import jeffreys_interval
from rebuildstats.fits.rows import numbers, sums, texts

COLUMNS = (
    "family",
    "cause",
    "damaged",
    "failures",
    "with_damage",
    "share",
    "share_lower",
    "share_upper",
    "base_share",
    "pieces",
    "cost_each",
    "cost_all",
)


def knock_on(
    outcomes: pd.DataFrame,
    part_uses: pd.DataFrame | None = None,
    parts: pd.DataFrame | None = None,
    level: float = 0.90,
) -> pd.DataFrame:
    """A row per family, failing component and damaged neighbour.

    outcomes: the record of that name. failures: teardowns in which the cause was found failed (role cause, or failed
    and no consequence); with_damage: those in which the neighbour was found with role consequence; share with
    Jeffreys limits; base_share: how often the neighbour is damaged at teardowns without that cause; pieces: damaged
    positions in all; cost_each: parts of one damaged position (nan without prices); cost_all: what the damage so seen
    cost in parts, which catching the cause before it ran on would have saved.
    """
    rows = outcomes.loc[texts(outcomes["verdict"]) == "fail", ["job", "family", "component", "position", "role"]].copy()
    rows["role"] = texts(rows["role"])
    ruined = rows.loc[rows["role"] == "consequence"]
    bad = rows.loc[rows["role"] != "consequence"]
    named = bad.loc[bad["role"] == "cause"]
    cause = pd.concat([named, bad.loc[~bad["job"].isin(named["job"])]])
    cause = cause[["job", "family", "component"]].drop_duplicates().rename(columns={"component": "cause"})
    if ruined.empty or cause.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    hurt = ruined.groupby(["job", "family", "component"]).size().rename("pieces").reset_index()
    hurt = hurt.rename(columns={"component": "damaged"})
    pairs = cause.merge(hurt, on=["job", "family"])
    pairs = pairs.loc[pairs["cause"] != pairs["damaged"]]
    table = pairs.groupby(["family", "cause", "damaged"]).agg(with_damage=("job", "nunique"), pieces=("pieces", "sum"))
    table = table.reset_index()
    if table.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    failures = cause.groupby(["family", "cause"])["job"].nunique().rename("failures")
    jobs = outcomes.groupby("family")["job"].nunique().rename("jobs")
    damaged = hurt.groupby(["family", "damaged"])["job"].nunique().rename("damaged_jobs")
    table = table.merge(failures.reset_index()).merge(jobs.reset_index()).merge(damaged.reset_index())
    table["share"] = table["with_damage"] / table["failures"]
    table["share_lower"], table["share_upper"] = jeffreys_interval(table["with_damage"], table["failures"], level)
    others = (table["jobs"] - table["failures"]).to_numpy(dtype=float)
    elsewhere = (table["damaged_jobs"] - table["with_damage"]).to_numpy(dtype=float)
    table["base_share"] = np.divide(elsewhere, others, out=np.zeros(len(table)), where=others > 0)
    price = _price(part_uses, parts)
    table["cost_each"] = [price.get((f, d), np.nan) for f, d in zip(table["family"], table["damaged"], strict=True)]
    table["cost_all"] = table["cost_each"] * table["pieces"]
    order = table.sort_values(["cost_all", "with_damage"], ascending=False, kind="stable", na_position="last")
    result: pd.DataFrame = order[list(COLUMNS)].reset_index(drop=True)
    return result


def _price(part_uses: pd.DataFrame | None, parts: pd.DataFrame | None) -> dict[tuple[str, str], float]:
    """(family, component) -> parts of one position in money, alternatives by their shares; known prices only."""
    if part_uses is None or parts is None or part_uses.empty:
        return {}
    uses = part_uses.merge(parts[["part", "unit_cost"]], on="part", how="left")
    money = numbers(uses["quantity"]) * numbers(uses["unit_cost"])
    share = np.where(texts(uses["choice"]) != "", np.nan_to_num(numbers(uses["share"]), nan=1.0), 1.0)
    known = np.isfinite(money)
    keys = pd.factorize(pd.Series(list(zip(uses["family"], uses["component"], strict=True))))
    total = sums(np.asarray(keys[0])[known], (money * share)[known], len(keys[1]))
    seen = sums(np.asarray(keys[0])[known], None, len(keys[1]))
    return {(str(k[0]), str(k[1])): float(t) for k, t, s in zip(keys[1], total, seen, strict=True) if s > 0}
