"""What to stock and what to order today."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.stock.buying import by_supplier, dead_stock
from rebuildstats.stock.curve import exchange_curve, habit_levels, marks, shelf_levels
from rebuildstats.stock.goals import Budget, Goal, PartFill, StockHistory
from rebuildstats.stock.job_fill import FillRate, Jobs, fill_rate
from rebuildstats.stock.kits import Kits
from rebuildstats.stock.lines import COLUMNS, MORE, order_lines
from rebuildstats.stock.outlook import Outlook, few, look_ahead
from rebuildstats.stock.search import Found, cheapest, richest
from rebuildstats.stock.soon import levels_today
from rebuildstats.stock.suppose import WhatIf
from rebuildstats.stock.workbook import order_workbook

Ints = NDArray[np.int64]

_CORRECTIONS, _AGREES = 4, 0.002  # of the target on the futures searched; fill rates nearer than this agree


@dataclass(frozen=True, slots=True)
class OrderPlan:
    """Levels and today's order.

    ahead: what it was computed from. levels: the order-up-to levels that reach the goal over the horizon; today: those
    to order up to now, which follow what the coming lead time wants. lines: one row per part and shelf, the contract's
    columns of `order` and more (see `frame`). job_fill: the promised job fill rate of `levels`, estimated on futures
    that had no part in choosing them, with its interval and counts. money: sum of order_up_to x unit_cost. bound: least
    money any levels could do it with, on the futures searched (for a budget: the highest job fill rate it could buy;
    for a part fill: the money itself).
    """

    goal: Goal
    ahead: Outlook
    levels: Ints
    today: Ints
    lines: pd.DataFrame
    job_fill: FillRate
    money: float
    bound: float

    def frame(self) -> pd.DataFrame:
        """Contract columns of `order` first; what to order today on top, then what keeps most jobs from waiting. Money
        is rounded here and nowhere before."""
        frame = self.lines[[*COLUMNS, *MORE]]
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

    def in_short(self) -> tuple[float, float, float]:
        """Money on the shelves, money to order today (of what has a price), and the job fill rate."""
        return self.money, float(np.nansum(self.lines["order_cost"])), self.job_fill.rate

    def wants_by_draw(self, part: str, site: str) -> NDArray[np.float64]:
        """Pieces of a part wanted at a shelf over the whole horizon, one number a future."""
        return self.ahead.wants_by_draw(part, site)

    def exchange_curve(self, points: int = 24) -> pd.DataFrame:
        """Money against held jobs, the best that each sum can do (see `curve.exchange_curve`)."""
        searched = few(self.ahead.searched, 10_000)
        return exchange_curve(searched, self.ahead.checked, jobs_a_year=self.ahead.jobs_a_year, points=points)

    def marks(self, curve: pd.DataFrame | None = None) -> pd.DataFrame:
        """Today's shelf, today's habit and this plan beside the curve (see `curve.marks`)."""
        ahead = self.ahead
        where = {
            "today's shelf": shelf_levels(ahead.items),
            "today's habit": habit_levels(ahead.items, ahead.history, ahead.as_of),
            "this plan": self.levels,
        }
        return marks(self.exchange_curve() if curve is None else curve, ahead.checked, where, ahead.jobs_a_year)

    def dead_stock(self) -> pd.DataFrame:
        """What lies there that nothing foreseeable needs, and its money (see `buying.dead_stock`)."""
        return dead_stock(self.ahead.items, self.ahead.wants, np.maximum(self.levels, self.today))

    def by_supplier(self, least_money: Mapping[str, float] | None = None) -> pd.DataFrame:
        """Today's order by supplier (see `buying.by_supplier`)."""
        return by_supplier(self.lines, least_money)

    def short_before_arrival(self) -> pd.DataFrame:
        """What may run out before an order placed today arrives (see `buying.short_before_arrival`)."""
        return self.ahead.short_before_arrival()

    def overdue(self) -> pd.DataFrame:
        """Orders that should have come (see `buying.overdue`)."""
        return self.ahead.overdue()

    def kits(self, *, within_days: float = 60.0, least_chance: float = 0.3) -> Kits:
        """What to lay out for each booked or likely teardown (see `kits.make_kits`)."""
        return self.ahead.kits(within_days=within_days, least_chance=least_chance)

    def about(self) -> list[str]:
        """The promise, in sentences."""
        got, ahead = self.job_fill, self.ahead
        return [
            f"Goal: {self.goal.words()}, as of {ahead.as_of.isoformat()}, looking {ahead.days:.0f} days ahead.",
            f"These levels cost {self.money:,.2f} and fill {100 * got.rate:.1f} % of the jobs at once (90 % interval "
            f"{100 * got.lower:.1f} to {100 * got.upper:.1f} %, from {got.jobs:,} sampled jobs in {got.draws} futures; "
            f"a single year will lie between {100 * got.year_lower:.0f} and {100 * got.year_upper:.0f} %).",
        ]

    def workbook(self) -> bytes:
        """An .xlsx file: a sheet to order from and one that explains."""
        return order_workbook(self.frame(), self.about())


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
    """Order-up-to levels for a goal and what to order today to get there (arguments and errors as `look_ahead`).

    Half of the futures choose the levels; the promised job fill rate is read from the other half, so that it is not the
    optimist's.
    """
    return plan_for(goal, look_ahead(futures, history, draws=draws, days=days, what_if=what_if, seed=seed))


def plan_for(goal: Goal, ahead: Outlook) -> OrderPlan:
    """The plan that reaches a goal from what lies ahead."""
    levels, bound = _choose(goal, ahead)
    promised = fill_rate(ahead.checked, levels)
    today = _today(goal, ahead, levels)
    lines = order_lines(goal, ahead, levels, today)
    money = float(np.nansum(ahead.items.table["unit_cost"].to_numpy(float) * today))
    return OrderPlan(goal, ahead, levels, today, lines, promised, money, money if bound is None else bound)


def _choose(goal: Goal, ahead: Outlook) -> tuple[Ints, float | None]:
    """Levels for the goal and the bound that goes with them (None: there is none)."""
    held = ahead.held
    if isinstance(goal, PartFill):
        levels = np.minimum(ahead.wants.levels_for(goal.share), ahead.most)
        levels[list(ahead.fixed)] = held[list(ahead.fixed)]
        return levels, None
    train = ahead.searched
    open_train = ahead.possible(train)
    spent = train.money(held)
    if isinstance(goal, Budget):
        found = richest(open_train, max(goal.money - spent, 0.0))
        return found.levels + held, found.bound
    scale = train.total / open_train.total if open_train.total > 0 else 1.0
    found = _reach(open_train, ahead.checked, held, goal.share, scale)
    return found.levels + held, found.bound + spent


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
    quick = found if best is None and abs(got - share) < _AGREES else best
    if quick is not None and quick.money <= quick.bound * (1 + _AGREES):
        return quick
    polished = cheapest(train, min(best.fill if best else target, 1.0))
    good = test.fill(polished.levels + held) >= share - _AGREES
    return polished if best is None or (good and polished.money < best.money) else best


def _today(goal: Goal, ahead: Outlook, levels: Ints) -> Ints:
    """The levels to order up to now: those of the year, moved to what the coming lead time wants."""
    today = np.minimum(levels_today(levels, ahead.wants, (ahead.soon, ahead.next_order)), np.maximum(ahead.most, 0))
    replaced = ahead.items.table["replaced_by"].notna().to_numpy()
    kept = replaced | np.isin(np.arange(len(levels)), list(ahead.fixed))
    today[kept] = levels[kept]
    if isinstance(goal, Budget):
        # a budget that the year's levels use up leaves no room: the dearest rises give way first
        cost = ahead.jobs.cost
        rises = np.flatnonzero(today > levels)
        for item in rises[np.argsort(-(cost * (today - levels))[rises], kind="stable")]:
            if cost @ today <= goal.money + 1e-9:
                break
            today[item] = levels[item]
    return today
