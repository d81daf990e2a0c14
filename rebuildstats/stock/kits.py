"""Kits: what to lay out before a unit is opened."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import beta

from rebuildstats.stock.items import Items

PULL = "pull now"
AT_HAND = "have at hand"
_PULL_CHANCE, _HAND_CHANCE = 0.7, 0.1
_NAMED = 6  # parts named as lacking, the likeliest to hold the job up first
_HOLDS_UP = 0.05  # a part is named as lacking when it keeps this share of the kits incomplete
_ENOUGH = 30  # sampled teardowns of a unit's own; with fewer its whole family's speak for it
LINE_COLUMNS = ["unit", "family", "part", "name", "chance", "quantity", "on_hand", "what", "lacking", "due_by_then"]
KIT_COLUMNS = [
    "unit", "family", "site", "booked", "due_on", "chance_teardown", "chance_complete", "complete_lower",
    "complete_upper", "teardowns", "lacking", "reason", "chance_by_then",
]  # fmt: skip

Shelf = tuple[str, str]  # part, site


@dataclass(frozen=True, slots=True)
class Kits:
    """One kit per booked or likely teardown.

    kits: a row each (KIT_COLUMNS; teardowns: sampled ones it is read from; chance_complete with its 90 % interval:
    everything needed lies on the shelf now, after what the kits before it pull; lacking: the parts that most often keep
    it incomplete; chance_by_then: with the open orders that are due by its day as well). lines: a row per kit and part
    (LINE_COLUMNS; chance: that the part is needed at this teardown; quantity: pieces enough in nine such teardowns of
    ten; lacking: pieces of it not on the shelf; due_by_then: pieces on order due by its day).
    """

    kits: pd.DataFrame
    lines: pd.DataFrame

    def frame(self) -> pd.DataFrame:
        return self.kits


def make_kits(
    futures: pd.DataFrame,
    items: Items,
    coming: pd.DataFrame,
    planned: pd.DataFrame,
    as_of: date,
    *,
    draws: int,
    within_days: float = 60.0,
    least_chance: float = 0.3,
) -> Kits:
    """Kits for teardowns booked within `within_days` and for units with at least `least_chance` of one until then.

    futures: sampled wants with the part and shelf as they stand today. coming: open orders (`shelves.open_orders`); one
    that is late or has no due date is not counted upon. planned: the booked teardowns (unit or family, due_on, count).
    A family's booking is read from all its sampled teardowns; a unit's from its own, wherever in the
    horizon they fall when too few fall early. Kits come in the order of their days, each reserving what it pulls.
    """
    jobs = futures[futures["teardown"].notna()]
    today = pd.Timestamp(as_of)
    openings = _booked(planned, today, within_days) + _likely(jobs, today, draws, within_days, least_chance)
    named = {opening.unit for opening in openings if opening.booked}
    openings = [o for o in openings if o.booked or o.unit not in named]
    openings.sort(key=lambda o: (o.day, not o.booked, o.unit))
    return _kits(jobs, _Stock.of(items, coming, today), openings)


def kit_of_unit(
    futures: pd.DataFrame,
    items: Items,
    coming: pd.DataFrame,
    planned: pd.DataFrame,
    unit: str,
    family: str,
    as_of: date,
    *,
    draws: int,
) -> Kits:
    """The kit of one unit, were it opened next: nothing is reserved for others. Arguments as `make_kits`."""
    jobs = futures[futures["teardown"].notna()]
    today = pd.Timestamp(as_of)
    booked = [o for o in _booked(planned, today, np.inf) if o.unit == unit]
    mine = jobs[jobs["unit"] == unit]
    chance = mine["draw"].nunique() / max(draws, 1)
    middle = today + pd.Timedelta(days=int(mine["day"].median())) if len(mine) else today
    openings = booked[:1] or [_Opening(unit, family, False, middle, chance)]
    return _kits(jobs, _Stock.of(items, coming, today), openings)


@dataclass(frozen=True, slots=True)
class _Stock:
    """What lies there and what is due. lies, taken: pieces by (part, site), taken by earlier kits; due: day and pieces
    of each order; names: of the parts."""

    lies: dict[Shelf, float]
    taken: dict[Shelf, float]
    due: dict[Shelf, list[tuple[pd.Timestamp, float]]]
    names: dict[str, str]

    @classmethod
    def of(cls, items: Items, coming: pd.DataFrame, today: pd.Timestamp) -> _Stock:
        table = items.table
        # pieces of a replaced part are pulled first for the part that follows it
        there = (table["on_hand"] + _old_on_hand(table)).astype(float)
        due: dict[Shelf, list[tuple[pd.Timestamp, float]]] = {}
        for row in coming[coming["due_on"] >= today].to_dict("records"):
            due.setdefault((row["part"], row["shelf"]), []).append((row["due_on"], float(row["pieces"])))
        return cls(
            dict(zip(zip(table["part"], table["site"], strict=True), there, strict=True)),
            {},
            due,
            dict(zip(table["part"], table["name"], strict=True)),
        )

    def left(self, part: str, site: str) -> float:
        """Pieces on the shelf that no earlier kit pulls."""
        return max(self.lies.get((part, site), 0.0) - self.taken.get((part, site), 0.0), 0.0)

    def by(self, part: str, site: str, day: pd.Timestamp) -> float:
        """Pieces on the shelf and due by a day that no earlier kit pulls."""
        shelf = part, site
        arriving = sum(pieces for due, pieces in self.due.get(shelf, ()) if due <= day)
        return max(self.lies.get(shelf, 0.0) + arriving - self.taken.get(shelf, 0.0), 0.0)

    def pull(self, part: str, site: str, pieces: float) -> None:
        self.taken[part, site] = self.taken.get((part, site), 0.0) + pieces


def _kits(jobs: pd.DataFrame, stock: _Stock, openings: list[_Opening]) -> Kits:
    """A kit for each opening, in their order, each reserving what it pulls."""
    by_unit = {str(unit): rows for unit, rows in jobs.groupby("unit")}
    by_family = {str(family): rows for family, rows in jobs.groupby("family")}
    kits, lines = [], []
    for opening in openings:
        own = by_unit.get(opening.unit)
        family = opening.family if own is None else str(own["family"].iloc[0])
        seen = 0 if own is None else len(own.drop_duplicates(["draw", "teardown"]))
        mine = own if own is not None and seen >= _ENOUGH else by_family.get(family)
        if mine is None:
            continue
        name = opening.unit or family
        kit_lines, kit = _kit(mine, stock, opening.day, None if own is None else str(own["shelf"].iloc[0]))
        if not len(kit_lines):
            continue
        for line in kit_lines.to_dict("records"):
            if line["what"] == PULL:
                stock.pull(line["part"], kit["site"], line["quantity"])
        lines.append(kit_lines.assign(unit=name, family=family))
        tail = f"; lacking {kit['lacking']}." if kit["lacking"] else "."
        kits.append(
            {
                "unit": name,
                "family": family,
                "booked": opening.booked,
                "due_on": opening.day,
                "chance_teardown": opening.chance,
                **kit,
                "reason": f"{name}: {opening.when()}; {100 * kit['chance_complete']:.0f} % chance that all it needs is "
                f"on the shelf now (90 % interval {100 * kit['complete_lower']:.0f} to "
                f"{100 * kit['complete_upper']:.0f} %, {kit['teardowns']} teardowns"
                f"{'' if mine is own else ' of its family'} sampled){_with_orders(kit)}{tail}",
            }
        )
    all_lines = pd.concat(lines, ignore_index=True) if lines else pd.DataFrame(columns=LINE_COLUMNS)
    return Kits(pd.DataFrame(kits, columns=KIT_COLUMNS), all_lines[LINE_COLUMNS])


def _with_orders(kit: dict[str, Any]) -> str:
    """What the orders on their way change, where they change anything."""
    if round(100 * kit["chance_by_then"]) <= round(100 * kit["chance_complete"]):
        return ""
    return f", {100 * kit['chance_by_then']:.0f} % with the orders due by then"


def _old_on_hand(table: pd.DataFrame) -> pd.Series:
    """Per item, pieces that lie on its shelf of parts it has replaced."""
    old = table[table["replaced_by"].notna()]
    lies = old.groupby(["replaced_by", "site"])["on_hand"].sum()
    found = lies.reindex(pd.MultiIndex.from_frame(table[["part", "site"]])).fillna(0.0)
    return pd.Series(found.to_numpy(float), index=table.index)


@dataclass(frozen=True, slots=True)
class _Opening:
    """A teardown to come. unit: '' where only the family is booked."""

    unit: str
    family: str
    booked: bool
    day: pd.Timestamp
    chance: float

    def when(self) -> str:
        if self.booked:
            return f"booked for {self.day.date()}"
        return f"{100 * self.chance:.0f} % chance of a teardown, if so most likely about {self.day.date()}"


def _booked(planned: pd.DataFrame, today: pd.Timestamp, within_days: float) -> list[_Opening]:
    due = pd.to_datetime(planned["due_on"])
    near = planned[(due >= today) & ((due - today).dt.days <= within_days)]
    openings = []
    for row in near.to_dict("records"):
        unit = "" if pd.isna(row["unit"]) else str(row["unit"])
        family = "" if pd.isna(row["family"]) else str(row["family"])
        times = 1 if unit or pd.isna(row["count"]) else int(row["count"])
        openings += [_Opening(unit, family, True, pd.Timestamp(row["due_on"]), 1.0)] * times
    return openings


def _likely(
    jobs: pd.DataFrame, today: pd.Timestamp, draws: int, within_days: float, least_chance: float
) -> list[_Opening]:
    soon = jobs[jobs["day"] <= within_days].drop_duplicates(["draw", "unit"])
    grouped = soon.groupby("unit").agg(n=("draw", "size"), day=("day", "median"), family=("family", "first"))
    likely = grouped[grouped["n"] >= least_chance * draws]
    return [
        _Opening(
            str(row["unit"]), str(row["family"]), False, today + pd.Timedelta(days=int(row["day"])), row["n"] / draws
        )
        for row in likely.reset_index().to_dict("records")
    ]


def _kit(
    mine: pd.DataFrame, stock: _Stock, day: pd.Timestamp, shelf: str | None
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Lines of one kit for a day and its chance of being complete, from the sampled teardowns `mine`; shelf: the one
    that serves it (None: the one that serves most of them)."""
    site = str(mine["shelf"].mode().iloc[0]) if shelf is None else shelf
    events = mine[["draw", "teardown"]].drop_duplicates()
    n = len(events)
    wants = mine[mine["part"].notna() & (mine["quantity"] > 0)]
    each = wants.groupby(["draw", "teardown", "part"])["quantity"].sum().reset_index()
    rows = []
    for part, group in each.groupby("part"):
        chance = len(group) / n
        if chance < _HAND_CHANCE:
            continue
        enough = float(np.quantile(group["quantity"], 0.9, method="higher"))
        there = stock.left(str(part), site)
        arriving = stock.by(str(part), site, day) - there
        what = PULL if chance >= _PULL_CHANCE else AT_HAND
        short = max(enough - there, 0.0)
        rows.append((part, stock.names.get(str(part)), chance, enough, there, what, short, arriving))
    lines = pd.DataFrame(rows, columns=LINE_COLUMNS[2:])
    lines = lines.sort_values(["chance", "part"], ascending=[False, True]).reset_index(drop=True)
    quantity = each["quantity"].to_numpy(float)
    lies = each["part"].map(lambda p: stock.left(p, site)).to_numpy(float)
    then = each["part"].map(lambda p: stock.by(p, site, day)).to_numpy(float)
    good, good_then = (n - len(each.loc[quantity > m, ["draw", "teardown"]].drop_duplicates()) for m in (lies, then))
    # Jeffreys' interval (Brown, Cai & DasGupta 2001)
    low = float(beta.ppf(0.05, good + 0.5, n - good + 0.5)) if good else 0.0
    high = float(beta.ppf(0.95, good + 0.5, n - good + 0.5)) if good < n else 1.0
    missed = each.loc[quantity > lies, "part"].value_counts()
    lacking = ", ".join(missed[missed >= _HOLDS_UP * n].head(_NAMED).index.astype(str))
    return lines, {
        "site": site,
        "chance_complete": good / n,
        "complete_lower": low,
        "complete_upper": high,
        "teardowns": n,
        "lacking": lacking,
        "chance_by_then": good_then / n,
    }
