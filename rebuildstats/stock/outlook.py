"""What lies ahead of the shelves, before any goal is chosen: items, sampled wants and jobs, and the lists that need no
levels."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.stock.buying import overdue, short_before_arrival
from rebuildstats.stock.goals import StockHistory
from rebuildstats.stock.items import Items, make_items, wanted_parts
from rebuildstats.stock.job_fill import Jobs, Wants, sample_wants, with_costs
from rebuildstats.stock.kits import Kits, kit_of_unit, make_kits
from rebuildstats.stock.shelf_life import most_in_date
from rebuildstats.stock.shelves import find_shelves, open_orders
from rebuildstats.stock.soon import REVIEW_DAYS, Soon, coming_demand, on_booked_days
from rebuildstats.stock.spares import spare_units
from rebuildstats.stock.suppose import EVERY, WhatIf, suppose

Ints = NDArray[np.int64]

YEAR = 365.0
_MOST_JOBS = 40_000  # jobs of whole futures to search on: what more of them would add costs more time than it saves


@dataclass(frozen=True, slots=True)
class Outlook:
    """Sampled futures laid over the shelves of today.

    days, draws: horizon and number of futures. wants, jobs: every want and every teardown in them. soon: what the lead
    time that begins today wants; next_order: the same for the one that begins with the next order. most (items,): the
    highest level that a shelf life allows. fixed: item -> level that is supposed. held_out (jobs,): jobs of the futures
    that choose no level and from which a promise is read. futures: the wants as a table, with part and shelf as they
    stand today. history: the tables it was made from.
    """

    as_of: date
    days: float
    draws: int
    items: Items
    wants: Wants
    jobs: Jobs
    soon: Soon
    next_order: Soon
    most: Ints
    fixed: dict[int, int]
    held_out: NDArray[np.bool_]
    futures: pd.DataFrame
    history: StockHistory

    @property
    def jobs_a_year(self) -> float:
        return self.jobs.total * YEAR / (self.draws * self.days)

    @property
    def held(self) -> Ints:
        """The supposed levels, 0 for all other items."""
        levels = np.zeros(len(self.jobs.cost), np.int64)
        levels[list(self.fixed)] = list(self.fixed.values())
        return levels

    @property
    def searched(self) -> Jobs:
        """Jobs that choose the levels."""
        return few(self.jobs if self.held_out.all() else self.jobs.of_draws(~self.held_out))

    @property
    def checked(self) -> Jobs:
        """Jobs that had no part in choosing."""
        return self.jobs.of_draws(self.held_out)

    def possible(self, jobs: Jobs) -> Jobs:
        """The jobs that can be filled with the supposed levels and within every shelf life, without the needs that the
        supposed levels meet."""
        is_fixed = np.zeros(len(jobs.cost), bool)
        is_fixed[list(self.fixed)] = True
        most = np.where(is_fixed, self.held, self.most)
        lost = np.zeros(len(jobs.weight), bool)
        lost[jobs.line_job[jobs.line_need > most[jobs.line_item]]] = True
        if not is_fixed.any() and not lost.any():
            return jobs
        keep = ~is_fixed[jobs.line_item] & ~lost[jobs.line_job]
        lines = jobs.line_job[keep], jobs.line_item[keep], jobs.line_need[keep]
        return Jobs(jobs.cost, jobs.weight, jobs.draw, *lines).of_draws(~lost)

    def wants_by_draw(self, part: str, site: str) -> NDArray[np.float64]:
        """Pieces of a part wanted at a shelf over the whole horizon, one number a future."""
        mine = self.wants.item == self.items.code(pd.Series([part]), pd.Series([site]))[0]
        pieces = np.bincount(self.wants.draw[mine], weights=self.wants.quantity[mine], minlength=self.draws)
        return np.asarray(pieces, float)

    def short_before_arrival(self) -> pd.DataFrame:
        """What may run out before an order placed today arrives (see `buying.short_before_arrival`)."""
        return short_before_arrival(self.items, self.wants, self._coming(), self.as_of)

    def overdue(self) -> pd.DataFrame:
        """Orders that should have come (see `buying.overdue`)."""
        return overdue(self._coming(), self.items.lead_times, self.as_of)

    def kits(self, *, within_days: float = 60.0, least_chance: float = 0.3) -> Kits:
        """What to lay out for each booked or likely teardown (see `kits.make_kits`)."""
        return make_kits(
            self.futures, self.items, self._coming(), self.history.planned, self.as_of,
            draws=self.draws, within_days=within_days, least_chance=least_chance,
        )  # fmt: skip

    def kit_of(self, unit: str, family: str) -> Kits:
        """What to lay out for one unit, were it opened next (see `kits.kit_of_unit`)."""
        return kit_of_unit(
            self.futures, self.items, self._coming(), self.history.planned, unit, family, self.as_of, draws=self.draws
        )

    def spare_units(self, units: pd.DataFrame, *, most_chance: float = 0.05) -> pd.DataFrame:
        """Ready units per family and how many it takes; units: today's state (see `spares.spare_units`)."""
        return spare_units(
            self.futures, self.history.teardowns, units, draws=self.draws, days=self.days, most_chance=most_chance
        )

    def _coming(self) -> pd.DataFrame:
        return open_orders(self.items.shelves, self.history.orders, self.as_of)


def look_ahead(
    futures: pd.DataFrame,
    history: StockHistory,
    *,
    draws: int,
    days: float,
    what_if: WhatIf | None = None,
    seed: int = 0,
) -> Outlook:
    """The sampled futures laid over today's shelves.

    futures: sampled whole futures, one row per want: draw (0 .. draws - 1), day (days after as_of), teardown (number
    within the draw; missing: over the counter), unit, family, shelf, part (missing: a teardown that needs nothing),
    quantity. history: the tables known at history.as_of. Raises NothingToComputeError without parts, UsageError for a
    supposition about a part or shelf that isn't there.
    """
    what_if = what_if or WhatIf()
    as_of = pd.Timestamp(history.as_of).date()  # type: ignore[arg-type]
    if not len(history.parts):
        raise NothingToComputeError("there is no parts list: load `parts` and `part_uses` to get an order")
    _check_parts(what_if, history)
    booked = on_booked_days(futures, history.planned, pd.Timestamp(as_of))
    supposed, span = suppose(booked, what_if, draws=draws, days=days, seed=seed)
    shelves = find_shelves(history.stock, history.sites)
    wanted = wanted_parts(supposed, history, shelves)
    items = make_items(wanted, history, as_of, what_if)
    code = items.code(wanted["part"], wanted["shelf"])
    lead = items.lead_pmfs()
    wants, plain = sample_wants(wanted, code, lead, draws=draws, days=span, seed=seed)
    jobs = with_costs(plain, items.search_cost())
    held_out = jobs.draw % 2 == 1 if len(np.unique(jobs.draw)) >= 4 else np.ones(len(jobs.draw), bool)
    return Outlook(
        as_of, span, draws, items, wants, jobs, coming_demand(wants, lead, seed=seed),
        coming_demand(wants, lead, start=REVIEW_DAYS, seed=seed),
        most_in_date(wants, items.table["shelf_life_days"].to_numpy(float)),
        _fixed_levels(items, what_if), held_out, wanted, history,
    )  # fmt: skip


def few(jobs: Jobs, most: int = _MOST_JOBS) -> Jobs:
    """Whole futures with no more than `most` jobs in all."""
    draws, counts = np.unique(jobs.draw, return_counts=True)
    kept = draws[: max(int(np.searchsorted(np.cumsum(counts), most, side="right")), 1)]
    return jobs if len(kept) == len(draws) else jobs.of_draws(np.isin(jobs.draw, kept))


def _check_parts(what_if: WhatIf, history: StockHistory) -> None:
    unknown = what_if.parts() - set(history.parts["part"].astype(str))
    if unknown:
        raise UsageError(f"There is no part {', '.join(sorted(unknown))} in the parts list: nothing to suppose for it.")


def _fixed_levels(items: Items, what_if: WhatIf) -> dict[int, int]:
    parts, sites = items.table["part"], items.table["site"]
    fixed: dict[int, int] = {}
    for (part, site), level in what_if.level.items():
        rows = np.flatnonzero((parts == part) & ((sites == site) | (site == EVERY)))
        if not len(rows):
            raise UsageError(
                f"Part {part} has no shelf at {site}; it stands at {', '.join(sites[parts == part]) or 'none'}."
            )
        fixed |= {int(row): int(level) for row in rows}
    return fixed
