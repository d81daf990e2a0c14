"""Whole futures drawn: which teardowns come, and what each takes together. For questions that need parts jointly (does
a
job wait?); the distributions of single parts are computed, not drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.demand.installed import KINDS, Base, share_of_part
from rebuildstats.demand.sums import Array
from rebuildstats.demand.teardowns import Calendar

COLUMNS = ["draw", "day", "teardown", "unit", "family", "shelf", "part", "quantity"]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Loose:
    """Pieces of one part at one shelf that need no teardown: pmf of the whole window, pieces in one sale."""

    part: str
    shelf: str
    pmf: Array
    lot: float


@dataclass(frozen=True, slots=True)
class _Jobs:
    """Drawn teardowns of one family: arrays (J,) of draw, unit number, kind number, interval, day."""

    draw: Ints
    unit: Ints
    kind: Ints
    interval: Ints
    day: Array


def sample_futures(
    bases: Mapping[str, Base],
    uses: pd.DataFrame,
    ratios: Mapping[str, Array],
    loose: list[Loose],
    when: Calendar,
    *,
    n: int,
    days: float,
    seed: int,
) -> pd.DataFrame:
    """n futures over the next `days` days: COLUMNS; quantity in pieces, day after the as-of day, teardown numbered
    within its draw (missing for sales without one); a teardown that takes nothing has a row without a part.

    ratios: part -> (D,) draws of its observed over expected. Each future follows one parameter draw throughout.
    """
    rng = np.random.default_rng(seed)
    share = when.share(0.0, days)
    frames: list[pd.DataFrame] = []
    number = np.zeros(n, dtype=np.int64)
    for family, base in sorted(bases.items()):
        if not base.fleet.units:
            continue
        jobs = _teardowns(base, share, when, days, n, rng)
        order = np.lexsort((jobs.day, jobs.draw))
        jobs = _Jobs(*(getattr(jobs, f)[order] for f in ("draw", "unit", "kind", "interval", "day")))
        first = np.searchsorted(jobs.draw, jobs.draw)
        ident = number[jobs.draw] + np.arange(jobs.draw.size) - first
        number += np.bincount(jobs.draw, minlength=n)
        at, part, pieces = _taken(base, uses[uses["family"] == family], ratios, jobs, rng)
        bare = np.setdiff1d(np.arange(jobs.draw.size), at)
        index = np.concatenate([at, bare])
        frames.append(
            pd.DataFrame(
                {
                    "draw": jobs.draw[index],
                    "day": jobs.day[index],
                    "teardown": pd.array(ident[index], dtype="Int64"),
                    "unit": pd.Series(np.array(base.fleet.units, dtype=object)[jobs.unit[index]], dtype="str"),
                    "family": family,
                    "shelf": pd.Series(np.array(base.fleet.shelves, dtype=object)[jobs.unit[index]], dtype="str"),
                    "part": pd.Series(np.concatenate([part, np.full(bare.size, None)]), dtype="str"),
                    "quantity": np.concatenate([pieces, np.zeros(bare.size)]),
                }
            )
        )
    frames += [_sales(one, n, days, rng) for one in loose if one.pmf.size > 1]
    if not frames:
        return pd.DataFrame(columns=COLUMNS)
    out = pd.concat(frames, ignore_index=True)
    return out.sort_values(["draw", "day", "teardown"], ignore_index=True)[COLUMNS]


def _teardowns(base: Base, share: Array, when: Calendar, days: float, n: int, rng: np.random.Generator) -> _Jobs:
    """Every draw's teardowns of one family."""
    moved = {k: base.moved(k) for k in KINDS}
    count = moved["failure"].shape[0]
    draw, unit, kind, interval = [], [], [], []
    first = np.stack([base.kind("failure")[0], base.kind("scheduled")[0]]) * share
    again = np.stack([base.kind("again")[0], base.kind("repair")[0]]) * share
    units, width = first.shape[1], first.shape[2]
    for d in range(min(count, n)):
        mine = np.arange(d, n, count)
        hazard = first * np.stack([moved["failure"][d], moved["scheduled"][d]])[:, None, :]
        flat = hazard.transpose(1, 0, 2).reshape(units, -1)
        total = flat.sum(axis=1)
        # one chance a unit: multiplied, it saturates as the computed distributions do
        chance = np.minimum(total, -np.expm1(-total) * np.where(total > 1.0, 1.0, 1.0 + total / 2.0)).clip(0.0, 1.0)
        come = rng.random((mine.size, units)) < chance[None, :]
        f, u = np.nonzero(come)
        cumulated = np.cumsum(flat, axis=1) / np.maximum(total, 1e-300)[:, None]
        cell = (rng.random(u.size)[:, None] > cumulated[u]).sum(axis=1).clip(0, flat.shape[1] - 1)
        draw.append(mine[f])
        unit.append(u)
        kind.append(cell // width)
        interval.append(cell % width)
        rates = (again * np.stack([moved["again"][d], moved["repair"][d]])[:, None, :]).ravel()
        whole = float(rates.sum())
        if whole > 0:
            each = rng.poisson(whole, mine.size)
            at = rng.choice(rates.size, int(each.sum()), p=rates / whole)
            k, u2, m = np.unravel_index(at, again.shape)
            draw.append(np.repeat(mine, each))
            unit.append(u2)
            kind.append(k + 2)
            interval.append(m)
    where = np.concatenate(interval) if interval else np.zeros(0, dtype=np.int64)
    low, high = when.edges[where], np.minimum(when.edges[where + 1], days)
    return _Jobs(
        np.concatenate(draw),
        np.concatenate(unit),
        np.concatenate(kind),
        where,
        low + rng.random(where.size) * (high - low),
    )


def _taken(
    base: Base, uses: pd.DataFrame, ratios: Mapping[str, Array], jobs: _Jobs, rng: np.random.Generator
) -> tuple[Ints, NDArray[np.object_], Array]:
    """What the drawn teardowns take: (rows,) job number, part, pieces; one row per job and part."""
    ats: list[Ints] = []
    parts: list[NDArray[np.object_]] = []
    pieces: list[Array] = []
    count = base.chances.failure_draws.shape[0]
    which = jobs.draw % count
    for name, rows in uses.groupby("component", sort=True):
        component = base.model.components.get(str(name))
        if component is None or name not in base.replaced.failure:
            continue
        q = np.zeros(jobs.draw.size)
        for number, kind in enumerate(KINDS):
            own = jobs.kind == number
            q[own] = base.kind(kind)[1][str(name)][jobs.unit[own], jobs.interval[own]]
        q = np.clip(q * base.life_draws[str(name)][which], 0.0, 1.0)
        replaced = _positions(q, component.n, component.together, rng)
        fixed = rows[rows["choice"] == ""]
        for part, quantity in zip(fixed["part"], fixed["quantity"], strict=True):
            ratio = np.ones(which.size) if component.always else ratios[part][which]
            wanted: Array = replaced.astype(np.float64) * float(quantity) * ratio
            _add(ats, parts, pieces, part, wanted, rng)
        for _, group in rows[rows["choice"] != ""].groupby("choice"):
            left, share_left = replaced.copy(), np.ones(jobs.draw.size)
            for part, quantity, stated, keeps in group[["part", "quantity", "share", "keeps"]].itertuples(index=False):
                own = share_of_part(base.fleet.positions[str(name)], part, stated, keeps)[jobs.unit]
                chance = np.clip(own / np.maximum(share_left, 1e-12), 0.0, 1.0)
                took = rng.binomial(left, chance)
                left, share_left = left - took, share_left - own
                _add(ats, parts, pieces, part, took.astype(np.float64) * float(quantity), rng)
    if not ats:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=object), np.zeros(0)
    every = pd.DataFrame({"at": np.concatenate(ats), "part": np.concatenate(parts), "q": np.concatenate(pieces)})
    table = every.groupby(["at", "part"], sort=False)["q"].sum().reset_index()
    return table["at"].to_numpy(np.int64), table["part"].to_numpy(dtype=object), table["q"].to_numpy(float)


def _add(
    ats: list[Ints], parts: list[NDArray[np.object_]], pieces: list[Array], part: str, wanted: Array,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Note whole pieces; a part of a piece is a chance of one more."""
    whole = np.floor(wanted + rng.random(wanted.size)) if np.any(wanted % 1.0) else wanted
    at = np.flatnonzero(whole > 0)
    ats.append(at)
    parts.append(np.full(at.size, part, dtype=object))
    pieces.append(whole[at])


def _positions(q: Array, n: int, together: float, rng: np.random.Generator) -> Ints:
    if together > 1e-4 and n > 1:
        size = 1.0 / together - 1.0
        mixed = (q > 0) & (q < 1)
        p = q.copy()
        p[mixed] = rng.beta(np.maximum(q[mixed] * size, 1e-9), np.maximum((1.0 - q[mixed]) * size, 1e-9))
        q = p
    return np.asarray(rng.binomial(n, q), dtype=np.int64)


def _sales(one: Loose, n: int, days: float, rng: np.random.Generator) -> pd.DataFrame:
    total = rng.choice(one.pmf.size, n, p=one.pmf / one.pmf.sum())
    lots = np.ceil(total / one.lot).astype(np.int64)
    draw = np.repeat(np.arange(n), lots)
    within = np.arange(draw.size) - np.repeat(np.cumsum(lots) - lots, lots)
    left = total[draw] - within * one.lot
    return pd.DataFrame(
        {
            "draw": draw,
            "day": rng.random(draw.size) * days,
            "teardown": pd.array([pd.NA] * draw.size, dtype="Int64"),
            "unit": pd.Series([None] * draw.size, dtype="str"),
            "family": pd.Series([None] * draw.size, dtype="str"),
            "shelf": one.shelf,
            "part": one.part,
            "quantity": np.minimum(left, one.lot),
        }
    )
