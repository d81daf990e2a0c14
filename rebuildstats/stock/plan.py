"""What to stock and what to order today."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.errors import NothingToComputeError
from rebuildstats.stock.buying import by_supplier, dead_stock, overdue, short_before_arrival
from rebuildstats.stock.curve import exchange_curve, habit_levels, marks, shelf_levels
from rebuildstats.stock.goals import Budget, Goal, PartFill, StockHistory, WhatIf, suppose
from rebuildstats.stock.items import Items, make_items, wanted_parts
from rebuildstats.stock.job_fill import FillRate, Jobs, Wants, fill_rate, sample_wants, with_costs
from rebuildstats.stock.kits import Kits, make_kits
from rebuildstats.stock.reasons import line_reason
from rebuildstats.stock.search import Found, cheapest, richest
from rebuildstats.stock.shelves import find_shelves, open_orders
from rebuildstats.stock.spares import spare_units
from rebuildstats.stock.workbook import order_workbook

Ints = NDArray[np.int64]

YEAR = 365.0
_CORRECTIONS, _AGREES = 4, 0.002  # of the target on the futures searched; fill rates nearer than this agree
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
_MORE = (
    "name",
    "supplier",
    "pack_size",
    "lead_sd",
    "lead_orders",
    "jobs_a_year",
    "pieces_a_year",
    "chance_each",
    "safety",
    "buy_to_order",
    "not_reached",
)


@dataclass(frozen=True, slots=True)
class OrderPlan:
    """Levels and today's order.

    lines: one row per part and shelf, the contract's columns of `order` and more (see `frame`). job_fill: the promised
    job fill rate, estimated on futures that had no part in choosing the levels, with its interval and counts. money:
    sum of order_up_to x unit_cost. bound: least money any levels could do it with, on the futures searched (for a
    budget: the highest job fill rate it could buy; for a part fill: the money itself). items, wants, jobs, levels: what
    it was computed from, for the curves and lists beside it.
    """

    goal: Goal
    as_of: date
    days: float
    draws: int
    lines: pd.DataFrame
    job_fill: FillRate
    money: float
    bound: float
    items: Items
    wants: Wants
    jobs: Jobs
    held_out: NDArray[np.bool_]
    levels: Ints
    futures: pd.DataFrame
    history: StockHistory

    def frame(self) -> pd.DataFrame:
        """Contract columns of `order` first; what to order today on top, then what keeps most jobs from waiting. Money
        is rounded here and nowhere before."""
        frame = self.lines[[*COLUMNS, *_MORE]]
        today = frame["order_now"] > 0
        frame = frame.assign(_today=today).sort_values(
            ["_today", "held_jobs_avoided", "part", "site"], ascending=[False, False, True, True], ignore_index=True
        )
        frame = frame.drop(columns="_today")
        for column in ("unit_cost", "order_cost"):
            frame[column] = frame[column].round(2)
        return frame

    @property
    def not_reached(self) -> list[str]:
        """Parts of safety components that the money does not reach."""
        return sorted(self.lines.loc[self.lines["not_reached"], "part"].unique())

    @property
    def buy_to_order(self) -> list[str]:
        """Parts too dear or too slow to lie on the shelf: wanted, but bought when the unit is open."""
        return sorted(self.lines.loc[self.lines["buy_to_order"], "part"].unique())

    @property
    def jobs_a_year(self) -> float:
        return self.jobs.total * YEAR / (self.draws * self.days)

    def wants_by_draw(self, part: str, site: str) -> NDArray[np.float64]:
        """Pieces of a part wanted at a shelf over the whole horizon, one number a future."""
        mine = self.wants.item == self.items.code(pd.Series([part]), pd.Series([site]))[0]
        pieces = np.bincount(self.wants.draw[mine], weights=self.wants.quantity[mine], minlength=self.draws)
        return np.asarray(pieces, float)

    @property
    def _searched(self) -> Jobs:
        return _few(self.jobs if self.held_out.all() else self.jobs.of_draws(~self.held_out))

    @property
    def _checked(self) -> Jobs:
        return self.jobs.of_draws(self.held_out)

    def exchange_curve(self, points: int = 24) -> pd.DataFrame:
        """Money against held jobs, the best that each sum can do (see `curve.exchange_curve`)."""
        return exchange_curve(_few(self._searched, 10_000), self._checked, jobs_a_year=self.jobs_a_year, points=points)

    def marks(self, curve: pd.DataFrame | None = None) -> pd.DataFrame:
        """Today's shelf, today's habit and this plan beside the curve (see `curve.marks`)."""
        where = {
            "today's shelf": shelf_levels(self.items),
            "today's habit": habit_levels(self.items, self.history, self.as_of),
            "this plan": self.levels,
        }
        return marks(self.exchange_curve() if curve is None else curve, self._checked, where, self.jobs_a_year)

    def dead_stock(self) -> pd.DataFrame:
        """What lies there that nothing foreseeable needs, and its money (see `buying.dead_stock`)."""
        return dead_stock(self.items, self.wants, self.levels)

    def short_before_arrival(self) -> pd.DataFrame:
        """What may run out before an order placed today arrives (see `buying.short_before_arrival`)."""
        return short_before_arrival(self.items, self.wants, self._coming(), self.as_of)

    def by_supplier(self, least_money: Mapping[str, float] | None = None) -> pd.DataFrame:
        """Today's order by supplier (see `buying.by_supplier`)."""
        return by_supplier(self.lines, least_money)

    def overdue(self) -> pd.DataFrame:
        """Orders that should have come (see `buying.overdue`)."""
        return overdue(self._coming(), self.items, self.as_of)

    def kits(self, *, within_days: float = 60.0, least_chance: float = 0.3) -> Kits:
        """What to lay out for each booked or likely teardown (see `kits.make_kits`)."""
        return make_kits(
            self.futures, self.items, self.history.planned, self.as_of,
            draws=self.draws, within_days=within_days, least_chance=least_chance,
        )  # fmt: skip

    def spare_units(self, units: pd.DataFrame, *, most_chance: float = 0.05) -> pd.DataFrame:
        """Ready units per family and how many it takes; units: today's state (see `spares.spare_units`)."""
        return spare_units(
            self.futures, self.history.teardowns, units, draws=self.draws, days=self.days, most_chance=most_chance
        )

    def about(self) -> list[str]:
        """The promise, in sentences."""
        got = self.job_fill
        return [
            f"Goal: {self.goal.words()}, as of {self.as_of.isoformat()}, looking {self.days:.0f} days ahead.",
            f"These levels cost {self.money:,.2f} and fill {100 * got.rate:.1f} % of the jobs at once (90 % interval "
            f"{100 * got.lower:.1f} to {100 * got.upper:.1f} %, from {got.jobs:,} sampled jobs in {got.draws} futures; "
            f"a single year will lie between {100 * got.year_lower:.0f} and {100 * got.year_upper:.0f} %).",
        ]

    def workbook(self) -> bytes:
        """An .xlsx file: a sheet to order from and one that explains."""
        return order_workbook(self.frame(), self.about())

    def _coming(self) -> pd.DataFrame:
        return open_orders(self.items.shelves, self.history.orders, self.as_of)


def plan_order(
    futures: pd.DataFrame,
    history: StockHistory,
    goal: Goal,
    *,
    draws: int,
    days: float,
    what_if: WhatIf | None = None,
    seed: int = 0,
) -> OrderPlan:
    """Order-up-to levels for a goal and what to order today to get there.

    futures: sampled whole futures, one row per want: draw (0 .. draws - 1), day (days after as_of), teardown (number
    within the draw; missing: over the counter), unit, family, shelf, part (missing: a teardown that needs nothing),
    quantity. history: the tables known at history.as_of. Half of the draws choose the levels; the promised job fill
    rate is read from the other half, so that it is not the optimist's. Raises NothingToComputeError without parts.
    """
    what_if = what_if or WhatIf()
    as_of = pd.Timestamp(history.as_of).date()  # type: ignore[arg-type]
    if not len(history.parts):
        raise NothingToComputeError("there is no parts list: load `parts` and `part_uses` to get an order")
    supposed, span = suppose(futures, what_if, draws=draws, days=days, seed=seed)
    shelves = find_shelves(history.stock, history.sites)
    wanted = wanted_parts(supposed, history, shelves)
    items = make_items(wanted, history, as_of, what_if)
    code = items.code(wanted["part"], wanted["shelf"])
    wants, plain = sample_wants(wanted, code, items.lead_pmfs(what_if), draws=draws, days=span, seed=seed)
    jobs = with_costs(plain, items.search_cost())
    held_out = jobs.draw % 2 == 1 if len(np.unique(jobs.draw)) >= 4 else np.ones(len(jobs.draw), bool)
    fixed = _fixed_levels(items, what_if)
    levels, bound = _choose(goal, wants, jobs, held_out, fixed)
    promised = fill_rate(jobs.of_draws(held_out), levels)
    money = float(np.nansum(items.table["unit_cost"].to_numpy(float) * levels))
    lines = _lines(goal, items, wants, jobs, levels, wanted, days=span, draws=draws)
    return OrderPlan(
        goal, as_of, span, draws, lines, promised, money, bound if bound is not None else money,
        items, wants, jobs, held_out, levels, wanted, history,
    )  # fmt: skip


def _fixed_levels(items: Items, what_if: WhatIf) -> dict[int, int]:
    where = {(p, s): i for i, (p, s) in enumerate(zip(items.table["part"], items.table["site"], strict=True))}
    return {where[key]: int(level) for key, level in what_if.level.items() if key in where}


def _choose(
    goal: Goal, wants: Wants, jobs: Jobs, held_out: NDArray[np.bool_], fixed: dict[int, int]
) -> tuple[Ints, float | None]:
    """Levels for the goal and the bound that goes with them (None: there is none)."""
    held = np.zeros(len(jobs.cost), np.int64)
    for item, level in fixed.items():
        held[item] = level
    if isinstance(goal, PartFill):
        levels = wants.levels_for(goal.share)
        levels[list(fixed)] = held[list(fixed)]
        return levels, None
    test = jobs.of_draws(held_out)
    train = _few(jobs.of_draws(~held_out) if not held_out.all() else jobs)
    open_train = _without_fixed(train, held, fixed)
    spent = train.money(held)
    if isinstance(goal, Budget):
        found = richest(open_train, max(goal.money - spent, 0.0))
        return found.levels + held, found.bound
    scale = train.total / open_train.total if open_train.total > 0 else 1.0
    found = _reach(open_train, test, held, goal.share, scale)
    return found.levels + held, found.bound + spent


def _without_fixed(jobs: Jobs, held: Ints, fixed: dict[int, int]) -> Jobs:
    """The jobs that can still be filled with some items fixed, without the needs that the fixed levels meet."""
    if not fixed:
        return jobs
    is_fixed = np.zeros(len(jobs.cost), bool)
    is_fixed[list(fixed)] = True
    mine = is_fixed[jobs.line_item]
    lost = np.zeros(len(jobs.weight), bool)
    lost[jobs.line_job[mine & (jobs.line_need > held[jobs.line_item])]] = True
    keep = ~mine & ~lost[jobs.line_job]
    narrow = Jobs(jobs.cost, jobs.weight, jobs.draw, jobs.line_job[keep], jobs.line_item[keep], jobs.line_need[keep])
    return narrow.of_draws(~lost)


def _reach(train: Jobs, test: Jobs, held: Ints, share: float, scale: float) -> Found:
    """Least money on the training futures such that the held-out futures reach `share`.

    What was chosen on one half does a little worse on the other; the target on the first is raised by what is missing
    on the second, a few times at most. scale: jobs there are for each job that can still be filled.
    """
    target, best = min(share * scale, 1.0), None
    for _ in range(_CORRECTIONS):
        found = cheapest(train, target, trials=0)
        got = test.fill(found.levels + held)
        if got >= share - 1e-9 and (best is None or found.money <= best.money):
            best = found
        if abs(got - share) < _AGREES or (target >= 1.0 and got < share):
            break
        target = min(target + (share - got) * scale, 1.0)
    if best is not None and best.money <= best.bound * (1 + _AGREES):
        return best
    polished = cheapest(train, min(best.fill if best else target, 1.0))
    good = test.fill(polished.levels + held) >= share - _AGREES
    return polished if best is None or (good and polished.money < best.money) else best


def _few(jobs: Jobs, most: int = 40_000) -> Jobs:
    """Whole futures with no more than `most` jobs in all: what more of them would add costs more time than it saves."""
    draws, counts = np.unique(jobs.draw, return_counts=True)
    kept = draws[: max(int(np.searchsorted(np.cumsum(counts), most, side="right")), 1)]
    return jobs if len(kept) == len(draws) else jobs.of_draws(np.isin(jobs.draw, kept))


def _lines(
    goal: Goal,
    items: Items,
    wants: Wants,
    jobs: Jobs,
    levels: Ints,
    wanted: pd.DataFrame,
    *,
    days: float,
    draws: int,
) -> pd.DataFrame:
    table = items.table
    n = len(table)
    a_year = YEAR / (draws * days)
    filled = jobs.filled(levels)
    lines = table.copy()
    lines["lead_time_mean"] = wants.mean_rate() * table["lead_time_days"]
    lines["lead_time_q95"] = wants.state_quantile(0.95)
    lines["order_up_to"] = levels
    lines["reorder_point"] = levels - 1
    position = table["on_hand"] + table["on_order"] + table["old_stock"]
    pack, least = table["pack_size"].to_numpy(float), table["min_order"].to_numpy(float)
    lines["order_now"] = to_order(levels, position.to_numpy(float), pack, least)
    lines.loc[table["replaced_by"].notna(), "order_now"] = 0
    lines["order_cost"] = lines["order_now"] * table["unit_cost"]
    lines["part_fill"] = wants.piece_fill(levels)
    use = filled[jobs.line_job]
    lines["held_jobs_avoided"] = np.bincount(jobs.line_item[use], minlength=n) * a_year
    lines["jobs_a_year"] = np.bincount(jobs.line_item, minlength=n) * a_year
    lines["pieces_a_year"] = wants.mean_rate() * YEAR
    lines["jobs_in_lead_time"] = lines["jobs_a_year"] * table["lead_time_days"] / YEAR
    # what the first piece would do: jobs with no other unmet need that one piece would serve
    unmet = jobs.line_need > levels[jobs.line_item]
    lacking = np.bincount(jobs.line_job, weights=unmet, minlength=len(jobs.weight))
    alone = unmet & (lacking[jobs.line_job] == 1) & (jobs.line_need == levels[jobs.line_item] + 1)
    lines["first_piece_jobs"] = np.bincount(jobs.line_item[alone], minlength=n) * a_year
    _family_figures(lines, items, wanted, a_year)
    lines["wait_days"] = lines["lead_time_days"]
    lines["buy_to_order"] = (levels == 0) & (lines["pieces_a_year"] > 0)
    lines["not_reached"] = isinstance(goal, Budget) & lines["safety"] & lines["buy_to_order"]
    lines["days"] = days
    lines["counted"] = items.shelves.counted
    lines["price"] = [f"{c:,.2f}" if not np.isnan(c) else "an unknown price" for c in lines["unit_cost"]]
    records: list[dict[str, Any]] = lines.to_dict("records")  # type: ignore[assignment]
    lines["reason"] = [line_reason(record) for record in records]
    return lines


def to_order(
    levels: Ints, position: NDArray[np.float64], pack: NDArray[np.float64], least: NDArray[np.float64]
) -> Ints:
    """Pieces to order: up to the level, no fewer than the supplier's least, in whole packs; none at or above it."""
    short = np.ceil(levels - position - 1e-9)
    packs = np.ceil(np.maximum(short, least) / pack - 1e-9)
    return np.asarray(np.where(short > 0, packs * pack, 0), np.int64)


def _family_figures(lines: pd.DataFrame, items: Items, wanted: pd.DataFrame, a_year: float) -> None:
    """Adds families (words), family_jobs_a_year and chance_each: of the teardowns of the families that use it."""
    jobs = wanted[wanted["teardown"].notna()]
    all_jobs = jobs[["draw", "teardown", "family", "shelf"]].drop_duplicates(["draw", "teardown"])
    per_family = all_jobs.groupby(["family", "shelf"]).size()
    users = jobs[["part", "shelf", "family"]].dropna().drop_duplicates()
    users["jobs"] = per_family.reindex(pd.MultiIndex.from_frame(users[["family", "shelf"]])).to_numpy(float)
    grouped = users.groupby(["part", "shelf"]).agg(
        jobs=("jobs", "sum"), names=("family", lambda f: ", ".join(sorted(f)) if len(f) <= 2 else f"{len(f)} families'")
    )
    index = pd.MultiIndex.from_frame(items.table[["part", "site"]])
    found = grouped.reindex(index)
    lines["families"] = found["names"].fillna("").to_numpy()
    lines["family_jobs_a_year"] = found["jobs"].fillna(0.0).to_numpy(float) * a_year
    share = lines["jobs_a_year"] / lines["family_jobs_a_year"].where(lines["family_jobs_a_year"] > 0)
    lines["chance_each"] = share.fillna(0.0)
