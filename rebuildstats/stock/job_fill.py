"""The job fill rate of a set of levels, from sampled whole futures.

A job is filled when, for each part it needs, what is outstanding before it plus its own pieces does not exceed the
order-up-to level. So a sampled job is a short list of needs (item, least level that serves it), and the job fill rate
of levels S is the share of jobs whose needs are all at most S: exact for each sampled future, joint over the parts,
because the same earlier teardowns took several parts together (after Smith, Chambers & Shlifer 1980; Mamer & Smith
1982; Bijvank, Koole & Vis 2010, EJOR 204:76).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.stock.pipeline import Pipeline, simulate_pipeline

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Jobs:
    """Sampled jobs and what each needs.

    cost (items,): money per piece. weight (jobs,): each job's weight. draw (jobs,): the future it belongs to.
    line_job, line_item, line_need (lines,): each need: its job, its item, the least level that serves it.
    """

    cost: Floats
    weight: Floats
    draw: Ints
    line_job: Ints
    line_item: Ints
    line_need: Ints

    @property
    def total(self) -> float:
        return float(self.weight.sum())

    def filled(self, levels: Ints) -> NDArray[np.bool_]:
        """Per job: is it filled at these levels (items,)?"""
        unmet = self.line_need > levels[self.line_item]
        short = np.bincount(self.line_job, weights=unmet, minlength=len(self.weight))
        return np.asarray(short == 0)

    def fill(self, levels: Ints) -> float:
        """Job fill rate at these levels; 1 when there is no job."""
        return float(self.weight @ self.filled(levels)) / self.total if self.total > 0 else 1.0

    def money(self, levels: Ints) -> float:
        return float(self.cost @ levels)

    def of_draws(self, chosen: NDArray[np.bool_]) -> Jobs:
        """The jobs of some futures only (chosen: one flag a job)."""
        keep = chosen[self.line_job]
        number = np.cumsum(chosen) - 1
        return Jobs(
            self.cost,
            self.weight[chosen],
            self.draw[chosen],
            number[self.line_job[keep]],
            self.line_item[keep],
            self.line_need[keep],
        )


@dataclass(frozen=True, slots=True)
class FillRate:
    """A job fill rate with its sampling error. rate; lower, upper: 90 % interval of the estimate itself; year_lower,
    year_upper: nine futures in ten lie between these over the horizon; jobs, draws: how many were sampled."""

    rate: float
    lower: float
    upper: float
    year_lower: float
    year_upper: float
    jobs: int
    draws: int


def fill_rate(jobs: Jobs, levels: Ints) -> FillRate:
    """Job fill rate with its interval: jobs of one future lean on the same draw of the parameters, so the error is the
    one of a ratio over whole futures (Cochran 1977, *Sampling Techniques*, ch. 6)."""
    if jobs.total <= 0:
        return FillRate(1.0, 1.0, 1.0, 1.0, 1.0, 0, 0)
    _, code = np.unique(jobs.draw, return_inverse=True)
    held = np.bincount(code, weights=jobs.weight)
    good = np.bincount(code, weights=jobs.weight * jobs.filled(levels))
    rate = float(good.sum() / held.sum())
    n = len(held)
    se = float(np.sqrt(np.sum((good - rate * held) ** 2) * n / max(n - 1, 1))) / float(held.sum())
    low, high = np.quantile(good / held, [0.05, 0.95])
    wide = 1.6448536 * se
    return FillRate(rate, max(rate - wide, 0.0), min(rate + wide, 1.0), float(low), float(high), len(jobs.weight), n)


@dataclass(frozen=True, slots=True)
class Wants:
    """Every want of a part in the sampled futures (with or without a job), one row per job and item.

    item, draw, day, quantity, before (pieces outstanding when it comes), job (-1: over the counter). state: the
    distribution of outstanding pieces over time.
    """

    item: Ints
    draw: Ints
    day: Floats
    quantity: Floats
    before: Floats
    job: Ints
    state: Pipeline
    items: int
    draws: int
    days: float

    def piece_fill(self, levels: Ints) -> Floats:
        """Part fill rate (items,): pieces served from the shelf of pieces wanted; NaN where none are wanted."""
        served = np.clip(levels[self.item] - self.before, 0.0, self.quantity)
        got = np.bincount(self.item, weights=served, minlength=self.items)
        asked = np.bincount(self.item, weights=self.quantity, minlength=self.items)
        return np.asarray(np.divide(got, asked, out=np.full(self.items, np.nan), where=asked > 0))

    def levels_for(self, part_fill: float) -> Ints:
        """Least level of each item whose part fill rate reaches `part_fill`."""
        low = np.zeros(self.items, np.int64)
        top = np.zeros(self.items, np.int64)
        np.maximum.at(top, self.item, np.ceil(self.before + self.quantity - 1e-9).astype(np.int64))
        high = top.copy()
        while np.any(low < high):
            middle = (low + high) // 2
            enough = np.nan_to_num(self.piece_fill(middle), nan=1.0) >= part_fill - 1e-12
            high = np.where(enough, middle, high)
            low = np.where(enough, low, np.minimum(middle + 1, high))
        return np.asarray(high, np.int64)

    def mean_rate(self) -> Floats:
        """Pieces wanted a day, per item."""
        asked = np.bincount(self.item, weights=self.quantity, minlength=self.items)
        return np.asarray(asked / (self.draws * self.days))

    def state_quantile(self, chance: float) -> Ints:
        """Per item, the pieces outstanding that are not exceeded with this chance at a random moment."""
        result = np.zeros(self.items, np.int64)
        for i in np.unique(self.item):
            cumulative = np.cumsum(self.state.of(int(i)))
            result[i] = min(int(np.searchsorted(cumulative, chance - 1e-12)), len(cumulative) - 1)
        return result


def sample_wants(
    futures: pd.DataFrame,
    item: Ints,
    lead_pmfs: Sequence[Floats],
    *,
    draws: int,
    days: float,
    seed: int = 0,
) -> tuple[Wants, Jobs]:
    """Wants and jobs out of sampled futures; costs are left 1 (see `with_costs`).

    futures: draw, day, teardown (missing: over the counter), quantity, aligned with item (-1: a teardown that needs
    nothing). lead_pmfs: per item, chance of each whole day. Every want's replacement gets a lead time of its own.
    """
    rng = np.random.default_rng(seed)
    items = len(lead_pmfs)
    draw = futures["draw"].to_numpy(np.int64)
    day = futures["day"].to_numpy(float) % days
    quantity = futures["quantity"].astype(float).fillna(0.0).to_numpy()
    teardown = pd.factorize(futures["teardown"])[0].astype(np.int64)
    in_job = teardown >= 0
    key = np.where(in_job, draw * (teardown.max(initial=0) + 1) + teardown, -1)
    kinds, job = np.unique(key, return_inverse=True)
    job = job - 1 if len(kinds) and kinds[0] == -1 else job
    n_jobs = int(job.max(initial=-1)) + 1
    job_draw = np.zeros(n_jobs, np.int64)
    job_draw[job[in_job]] = draw[in_job]

    use = (item >= 0) & (quantity > 0)
    rows = pd.DataFrame({"job": job, "item": item, "draw": draw, "day": day, "quantity": quantity})[use]
    # a job's pieces of one item are one want; counter sales stay apart
    merged = rows[rows["job"] >= 0].groupby(["job", "item"], sort=False, as_index=False)
    wants = pd.concat(
        [merged.agg(draw=("draw", "first"), day=("day", "first"), quantity=("quantity", "sum")), rows[rows["job"] < 0]],
        ignore_index=True,
    )
    w_item = wants["item"].to_numpy(np.int64)
    lead = np.zeros(len(wants))
    order = np.argsort(w_item, kind="stable")
    edges = np.searchsorted(w_item[order], np.arange(items + 1))
    u = rng.random(len(wants))
    for i in range(items):
        mine = order[edges[i] : edges[i + 1]]
        if len(mine):
            lead[mine] = np.searchsorted(np.cumsum(lead_pmfs[i]), u[mine] * (1 - 1e-12))
    w_draw, w_day = wants["draw"].to_numpy(np.int64), wants["day"].to_numpy(float)
    w_quantity, w_job = wants["quantity"].to_numpy(float), wants["job"].to_numpy(np.int64)
    state = simulate_pipeline(w_draw, w_item, w_day, w_quantity, lead, draws=draws, items=items, days=days)
    need = np.ceil(state.before + w_quantity - 1e-9).astype(np.int64)
    mine_ = w_job >= 0
    jobs = Jobs(np.ones(items), np.ones(n_jobs), job_draw, w_job[mine_], w_item[mine_], need[mine_])
    return Wants(w_item, w_draw, w_day, w_quantity, state.before, w_job, state, items, draws, days), jobs


def with_costs(jobs: Jobs, cost: Floats) -> Jobs:
    return Jobs(cost, jobs.weight, jobs.draw, jobs.line_job, jobs.line_item, jobs.line_need)
