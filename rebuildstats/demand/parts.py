"""Which part a replacement takes, and what pieces were taken in the past."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from rebuildstats.history.known import History
    from rebuildstats.life_records.records import Records

KEEPS_PRIOR = 4.0  # a position is taken to choose anew with the weight of this many renewals
PRIOR_CHOICES = 10.0  # a stated share counts like this many past choices


def final_parts(parts: pd.DataFrame) -> dict[str, str]:
    """Each part -> the last of its chain of successors. A chain that runs in a circle ends where it would repeat."""
    follow = {
        str(part): str(after)
        for part, after in zip(parts["part"], parts["replaced_by"], strict=True)
        if isinstance(after, str) and after and after != part
    }
    final: dict[str, str] = {}
    for part in parts["part"].astype(str):
        seen, at = {part}, part
        while at in follow and follow[at] not in seen:
            at = follow[at]
            seen.add(at)
        final[part] = at
    return final


def shelf_of_sites(history: History) -> dict[str, str]:
    """Each site -> the shelf that serves it: a site with stock rows serves itself, else the one that `sites` names,
    else
    the first shelf. Without a stock table there is one shelf, ''."""
    shelves = sorted(set(history.stock["site"].dropna().astype(str)))
    if not shelves:
        return {"": ""}
    served = {
        str(site): str(by)
        for site, by in zip(history.sites["site"], history.sites["served_by"], strict=True)
        if isinstance(by, str) and by
    }
    known: set[str] = set(shelves) | set(history.sites["site"].dropna().astype(str))
    for frame in (history.vehicles, history.teardowns, history.issued_parts):
        known |= set(frame["site"].dropna().astype(str))
    shelf: dict[str, str] = {"": shelves[0]}
    for site in known:
        at, steps = site, 0
        while at not in shelves and at in served and steps < len(served):
            at, steps = served[at], steps + 1
        shelf[site] = at if at in shelves else shelves[0]
    return shelf


def roots_of_components(components: pd.DataFrame) -> dict[tuple[str, str], str]:
    """(family, component) -> the component that is bought for it: itself, or the outermost it is supplied within."""
    inside = {
        (str(f), str(c)): str(s)
        for f, c, s in zip(components["family"], components["component"], components["supplied_in"], strict=True)
        if isinstance(s, str) and s
    }
    out: dict[tuple[str, str], str] = {}
    for f, c in zip(components["family"].astype(str), components["component"].astype(str), strict=True):
        at, seen = c, {c}
        while (f, at) in inside and inside[f, at] not in seen:
            at = inside[f, at]
            seen.add(at)
        out[f, c] = at
    return out


def uses_today(history: History, records: Records) -> pd.DataFrame:
    """What one replaced position takes from today on: family, component, part (after supersession), quantity, share,
    keeps (chance that a position keeps the alternative it has, beyond what the shares give; 0 without a choice),
    choice.

    Alternatives and grades share by the stated share and the choices seen, weighed as a Dirichlet prior of
    PRIOR_CHOICES. A component supplied only within another has no use of its own: its assembly has.
    """
    uses = history.part_uses[["family", "component", "part", "quantity", "choice", "share"]].copy()
    final = final_parts(history.parts)
    uses["part"] = [final.get(str(p), str(p)) for p in uses["part"]]
    uses["quantity"] = uses["quantity"].astype(float).fillna(1.0)
    root = roots_of_components(history.components)
    keys = list(zip(uses["family"].astype(str), uses["component"].astype(str), strict=True))
    uses = uses[[root.get(k, k[1]) == k[1] for k in keys]]
    fixed = uses[uses["choice"].isna() | (uses["choice"] == "")].assign(share=1.0, keeps=0.0, choice="")
    fixed = fixed.groupby(["family", "component", "part"], as_index=False).agg(
        quantity=("quantity", "sum"), share=("share", "max"), keeps=("keeps", "max"), choice=("choice", "max")
    )
    choice = uses[uses["choice"].notna() & (uses["choice"] != "")]
    columns = ["family", "component", "part", "quantity", "share", "keeps", "choice"]
    if not len(choice):
        return fixed[columns]
    return pd.concat([fixed[columns], _choices(choice, records, final)[columns]], ignore_index=True)


def _choices(choice: pd.DataFrame, records: Records, final: Mapping[str, str]) -> pd.DataFrame:
    group = ["family", "component", "choice"]
    choice = choice.groupby([*group, "part"], as_index=False).agg(quantity=("quantity", "mean"), share=("share", "sum"))
    total = choice.groupby(group)["share"].transform("sum")
    count = choice.groupby(group)["share"].transform("size")
    stated = (choice["share"] / total.where(total > 0)).fillna(1.0 / count)
    new = records.outcomes["renewed"].fillna(False).astype(bool) & records.outcomes["part"].notna()
    fitted = records.outcomes[new].sort_values(["opened_on", "job"])
    fitted = fitted.assign(part=[final.get(str(p), str(p)) for p in fitted["part"]])
    seen = fitted.groupby(["family", "component", "part"]).size().rename("seen").reset_index()
    choice = choice.merge(seen, on=["family", "component", "part"], how="left")
    seen_count = choice["seen"].fillna(0.0)
    seen_total = seen_count.groupby([choice[g] for g in group]).transform("sum")
    choice["share"] = (PRIOR_CHOICES * stated.to_numpy() + seen_count) / (PRIOR_CHOICES + seen_total)
    place = ["family", "component", "unit", "position"]
    before = fitted.groupby(place)["part"].shift()
    pairs = fitted.assign(same=(fitted["part"] == before).astype(float))[before.notna()]
    same = pairs.groupby(["family", "component"])["same"].agg(["sum", "size"])
    by_chance = (choice["share"] ** 2).groupby([choice["family"], choice["component"]]).sum()
    counted = {k: (float(a), float(b)) for k, a, b in same.itertuples()}
    keeps = {}
    for key, expected in by_chance.items():
        hits, tries = counted.get(key, (0.0, 0.0))
        rate = (hits + KEEPS_PRIOR * expected) / (tries + KEEPS_PRIOR)
        keeps[key] = min(1.0, max(0.0, (rate - expected) / max(1.0 - expected, 1e-9)))
    return choice.assign(keeps=[keeps[k] for k in zip(choice["family"], choice["component"], strict=True)])


def replaced_rows(outcomes: pd.DataFrame, components: pd.DataFrame) -> pd.DataFrame:
    """The outcomes whose position took new pieces, assemblies in place of what is supplied in them.

    Same columns as `outcomes`; what is supplied within another component is left out.
    """
    root = roots_of_components(components)
    own = np.array(
        [
            root.get((f, c), c) == c
            for f, c in zip(outcomes["family"].astype(str), outcomes["component"].astype(str), strict=True)
        ],
        dtype=bool,
    )
    return outcomes[own & outcomes["renewed"].fillna(False).astype(bool).to_numpy()]


def implied_pieces(history: History, records: Records, uses: pd.DataFrame) -> pd.DataFrame:
    """Pieces that the findings imply: part, on (date of the teardown), job, site, quantity, family, component,
    position.

    A finding's own part and quantity where given, else the component's uses (an alternative by its share). `machine`
    uses
    the part named.
    """
    outcomes = records.outcomes
    final = final_parts(history.parts)
    new = replaced_rows(outcomes, history.components)
    keep = ["job", "family", "component", "position", "opened_on", "site", "part"]
    machined = history.findings[(history.findings["action"] == "machine") & history.findings["part"].notna()]
    machined = machined.drop_duplicates(["job", "component", "position", "part"])
    machined = machined.merge(records.teardowns[["job", "family", "opened_on", "site"]], on="job")
    rows = pd.concat([new[keep], machined[keep]], ignore_index=True)
    given = history.findings[history.findings["quantity"].notna()]
    stated = given.groupby(["job", "component", "position"], as_index=False)["quantity"].max()
    rows = rows.merge(stated, on=["job", "component", "position"], how="left")
    named = rows["part"].notna()
    direct = rows[named].copy()
    direct["part"] = [final.get(str(p), str(p)) for p in direct["part"]]
    per_position = uses.groupby(["family", "component", "part"])["quantity"].mean().rename("usual").reset_index()
    direct = direct.merge(per_position, on=["family", "component", "part"], how="left")
    direct["quantity"] = direct["quantity"].fillna(direct["usual"]).fillna(1.0)
    by_use = rows.drop(columns=["part", "quantity"]).merge(uses, on=["family", "component"], how="inner")
    by_use["named"] = by_use.set_index(["job", "component", "position"]).index.isin(
        rows[named].set_index(["job", "component", "position"]).index
    )
    # a named part settles which alternative was taken; what is always used beside it is still used
    by_use = by_use[~by_use["named"] | (by_use["share"] >= 1.0)]
    taken = direct.set_index(["job", "component", "position", "part"]).index
    by_use = by_use[~by_use.set_index(["job", "component", "position", "part"]).index.isin(taken)].copy()
    by_use["quantity"] = by_use["quantity"] * by_use["share"]
    columns = ["part", "opened_on", "job", "site", "quantity", "family", "component", "position"]
    parts_of = [frame[columns] for frame in (direct, by_use) if len(frame)]
    pieces = pd.concat(parts_of, ignore_index=True) if parts_of else direct[columns]
    return pieces.rename(columns={"opened_on": "on"})


def issued_pieces(history: History) -> pd.DataFrame:
    """Pieces over the counter, credits negative: part (after supersession), on, job, site, quantity."""
    final = final_parts(history.parts)
    issued = history.issued_parts
    sign = np.where(issued["kind"].fillna("issue").to_numpy() == "credit", -1.0, 1.0)
    return pd.DataFrame(
        {
            "part": pd.Series([final.get(str(p), str(p)) for p in issued["part"]], index=issued.index, dtype="str"),
            "on": pd.to_datetime(issued["issued_on"]),
            "job": issued["job"],
            "site": issued["site"],
            "quantity": issued["quantity"].astype(float) * sign,
        }
    ).reset_index(drop=True)


def by_month(pieces: pd.DataFrame, parts: Iterable[str], months: pd.PeriodIndex) -> pd.DataFrame:
    """Pieces by part (rows) and calendar month (columns), zeros included; months outside are left out."""
    names = list(parts)
    if not len(pieces):
        return pd.DataFrame(0.0, index=names, columns=months)
    period = pd.to_datetime(pieces["on"]).dt.to_period("M")
    table = pieces.assign(month=period).groupby(["part", "month"])["quantity"].sum().unstack("month").fillna(0.0)
    return table.reindex(index=names, columns=months, fill_value=0.0).astype(float)
