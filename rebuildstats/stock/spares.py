"""Spare units: how many ready ones so that a vehicle does not wait for its own to be rebuilt."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rebuildstats.stock.pipeline import chance_of_none, expected_backorders, simulate_pipeline
from rebuildstats.stock.reasons import count, percent

_PRIOR_TURNS = 3.0  # a family's own turn times are shrunk to the shop's by as many as this
_BATCHES, _STUDENT = 10, 1.8331  # futures in batches, and Student's t of 9 degrees for a 90 % interval of their mean
_DEFAULT_TURN = 7.0  # days, where no teardown was ever closed

COLUMNS = [
    "family", "ready", "in_work", "teardowns_a_year", "turn_days", "turns", "in_work_mean", "chance_none",
    "chance_none_lower", "chance_none_upper", "chance_none_hired", "spares", "chance_none_then", "waiting_mean",
    "reason",
]  # fmt: skip


def spare_units(
    futures: pd.DataFrame,
    teardowns: pd.DataFrame,
    units: pd.DataFrame,
    *,
    draws: int,
    days: float,
    most_chance: float = 0.05,
    seed: int = 0,
) -> pd.DataFrame:
    """One row per family (COLUMNS): ready spares today and how many it takes.

    futures: sampled wants. teardowns: job, unit, opened_on, closed_on (the turn times, and who is in work now). units:
    unit, family, vehicle (missing: on the shelf), the state of today. Each teardown takes a unit out for its turn time;
    a vehicle waits when all spares are out (Palm 1938: what is out depends on the mean turn time). chance_none: a
    vehicle that comes in meets no ready unit, with the 90 % interval of what is sampled (batch means);
    chance_none_hired: the same where a unit is then fetched from outside and does not join the queue (Erlang's loss
    formula for Poisson arrivals). spares: the least number with chance_none at most `most_chance`; waiting_mean:
    vehicles waiting at a random moment with today's ready ones.
    """
    jobs = futures[futures["teardown"].notna()].drop_duplicates(["draw", "teardown"])
    family_of = units.drop_duplicates("unit").set_index("unit")["family"]
    turn = (pd.to_datetime(teardowns["closed_on"]) - pd.to_datetime(teardowns["opened_on"])).dt.days.astype(float)
    family = teardowns["unit"].map(family_of)
    closed = turn.notna() & (turn >= 0)
    overall = float(turn[closed].mean()) if closed.any() else _DEFAULT_TURN
    names = sorted(set(jobs["family"].dropna()) | set(units["family"].dropna()))
    code = {name: i for i, name in enumerate(names)}
    rng = np.random.default_rng(seed)
    item = jobs["family"].map(code).to_numpy(np.int64)
    lead = np.zeros(len(jobs))
    turns, means = {}, {}
    for name, i in code.items():
        own = turn[closed & (family == name)].to_numpy()
        means[name] = (own.sum() + _PRIOR_TURNS * overall) / (len(own) + _PRIOR_TURNS)
        turns[name] = len(own)
        mine = item == i
        spread = own / own.mean() if len(own) >= 3 and own.mean() > 0 else np.ones(1)
        lead[mine] = means[name] * rng.choice(spread, mine.sum())
    draw = jobs["draw"].to_numpy(np.int64)
    batches = min(_BATCHES, draws)
    state = simulate_pipeline(
        draw // batches, item * batches + draw % batches, jobs["day"].to_numpy(float) % days, np.ones(len(jobs)), lead,
        draws=-(-draws // batches), items=len(names) * batches, days=days,
    )  # fmt: skip
    open_now = set(teardowns.loc[teardowns["closed_on"].isna(), "unit"])
    # an opening that nobody closed and that is older than three turns was most likely closed without a note
    age = (pd.to_datetime(teardowns["opened_on"]).max() - pd.to_datetime(teardowns["opened_on"])).dt.days
    open_now -= set(teardowns.loc[teardowns["closed_on"].isna() & (age > 3 * overall), "unit"])
    rows = []
    for name, i in code.items():
        here = units[units["family"] == name]
        loose = here.loc[here["vehicle"].isna(), "unit"]
        ready = int((~loose.isin(open_now)).sum())
        in_work = int(loose.isin(open_now).sum())
        pmfs = [state.of(i * batches + k) for k in range(batches)]
        pmf = np.mean([np.pad(p, (0, max(map(len, pmfs)) - len(p))) for p in pmfs], axis=0)
        now = chance_of_none(pmf, ready)
        each = [chance_of_none(p, ready) for p in pmfs]
        wide = _STUDENT * float(np.std(each, ddof=1)) / np.sqrt(batches) if batches > 1 else 1.0
        need = next((s for s in range(len(pmf) + 1) if chance_of_none(pmf, s) <= most_chance), len(pmf))
        yearly = float((item == i).sum()) * 365.0 / (draws * days)
        then = chance_of_none(pmf, need)
        out = float(np.arange(len(pmf)) @ pmf)
        reason = (
            f"{count(yearly)} {name} teardowns a year take a unit out for {means[name]:.0f} days, so "
            f"{count(out)} are out at a time: with the {ready} that are ready a vehicle finds none {percent(now)} of "
            f"the time; {need} would make that {percent(then)}."
        )
        rows.append(
            (name, ready, in_work, yearly, means[name], turns[name], out, now, max(now - wide, 0.0),
             min(now + wide, 1.0), chance_of_none(pmf, ready, fetched_elsewhere=True), need, then,
             expected_backorders(pmf, ready), reason)
        )  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS)
