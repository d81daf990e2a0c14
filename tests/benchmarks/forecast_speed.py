"""Computed against drawn: 5,000 units x 60 component positions x 12 months x 200 parameter draws.

    python -m tests.benchmarks.forecast_speed [units]

One family, unit lives and 60 component lives known but for their draws. Ours computes every part's distribution by
month
and over the horizon; its error in probability is measured against the sum over every unit and every draw, one by one.
The
other way draws whole futures, vectorised in numpy (only opened units draw their positions); for each parameter draw it
must
first evaluate every unit's and position's chances. It needs 0.95 x 0.05 / error^2 futures for the same error at the 95
%
point. Asserts nothing; prints both times, their ratio and the largest memory of this process.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pandas as pd

from rebuildstats.demand.compound import Stream, mixed_pmf, pmf_of_cells
from rebuildstats.demand.corrections import follow
from rebuildstats.demand.failures import UnitFailures
from rebuildstats.demand.fleet import Fleet, Positions
from rebuildstats.demand.hazards import Hazard, age_grid
from rebuildstats.demand.installed import Drift, build_bases, streams_by_window, wanted_by_window
from rebuildstats.demand.replacements import KINDS, Component, ReplacementModel
from rebuildstats.demand.sums import from_transform, quantiles_of, roots
from rebuildstats.demand.teardowns import TeardownModel, calendar
from rebuildstats.demand.usage import Usage

POSITIONS, MONTHS, DRAWS, TRIED = 60, 12, 200, 400


def weibull(scale: float, shape: float, rng: np.random.Generator) -> Hazard:
    grid = age_grid(900_000.0)
    scales = scale * np.exp(0.06 * rng.standard_normal(DRAWS))
    shapes = shape * np.exp(0.05 * rng.standard_normal(DRAWS))
    draws = (grid[None, :] / scales[:, None]) ** shapes[:, None]
    return Hazard(grid, (grid / scale) ** shape, draws, shape / scale)


def fleet_of(units: int, rng: np.random.Generator) -> Fleet:
    age = rng.uniform(0, 250_000, units)
    positions = {}
    for i in range(POSITIONS):
        own = age + np.where(rng.random(units) < 0.4, rng.uniform(0, 150_000, units), 0.0)
        good = np.maximum(own - age, 0.0)
        shape = (units, 1)
        positions[f"c{i:02d}"] = Positions(
            f"c{i:02d}",
            own.reshape(shape),
            good.reshape(shape),
            np.zeros(shape, bool),
            np.full(shape, None, dtype=object),
            np.full(shape, np.nan),
            np.full(shape, np.nan),
        )
    names = [f"u{i}" for i in range(units)]
    return Fleet(
        "F", names, names, [""] * units, [""] * units, age, rng.uniform(60, 180, units), np.full(units, 1e6), positions
    )


def drawn(fleet: Fleet, base: object, futures: int, rng: np.random.Generator) -> np.ndarray:
    """Whole futures drawn from the same chances: pieces of every component over the horizon, (futures, positions)."""
    chances, replaced = base.chances, base.replaced  # type: ignore[attr-defined]
    names = list(fleet.positions)
    q = {k: np.stack([getattr(replaced, k)[n] for n in names], axis=2) for k in ("failure", "again")}
    out = np.zeros((futures, len(names)))
    first = chances.failure[:, 1 : MONTHS + 1]
    again = chances.again[:, 1 : MONTHS + 1]
    for f in range(futures):
        d = f % DRAWS
        moved = base.moved("failure")[d, 1 : MONTHS + 1]  # type: ignore[attr-defined]
        cumulated = np.cumsum(first * moved, axis=1)
        at = (rng.random(len(first))[:, None] > cumulated).sum(axis=1)
        unit = np.flatnonzero(at < MONTHS)
        life = np.array([base.life_draws[n][d] for n in names])  # type: ignore[attr-defined]
        taken = rng.random((unit.size, len(names))) < q["failure"][unit, at[unit] + 1] * life
        out[f] += taken.sum(axis=0)
        extra = np.nonzero(rng.random(again.shape) < again * moved)
        out[f] += (rng.random((extra[0].size, len(names))) < q["again"][extra[0], extra[1] + 1] * life).sum(axis=0)
    return out


def evaluated(fleet: Fleet, model: ReplacementModel, run: np.ndarray) -> float:
    """Seconds to evaluate the chances of every position in every month under one parameter draw."""
    start = time.perf_counter()
    for name, component in model.components.items():
        own, hazard = fleet.positions[name], component.hazard
        age = own.age + run
        gathered = np.interp(age, hazard.grid, hazard.draws[0]) - np.interp(own.good, hazard.grid, hazard.draws[0])
        -np.expm1(-gathered)
    return time.perf_counter() - start


def one_by_one(streams: list[Stream], multipliers: np.ndarray) -> np.ndarray:
    """The mixture computed unit by unit and draw by draw, with nothing put together."""
    mean = sum(float((s.teardown * s.takes[0].chance).sum()) for s in streams)
    size = 1 << int(mean * 3 + 200).bit_length()
    turn = roots(size)
    cf = np.zeros(turn.size, dtype=complex)
    for c in multipliers:
        log = np.zeros(turn.size, dtype=complex)
        for s in streams:
            q = s.takes[0].chance
            w = -np.expm1(c * np.log1p(-np.minimum(s.teardown, 1 - 1e-12))) if s.once else c * s.teardown
            for part in np.array_split(np.arange(w.size), max(1, w.size // 500)):
                x = (w[part] * q[part])[:, None] * (turn - 1.0)[None, :]
                log += (np.log1p(x) if s.once else x).sum(axis=0)
        cf += np.exp(log)
    return from_transform(cf / multipliers.size, size)


def main(units: int = 5000) -> None:
    rng = np.random.default_rng(1)
    fleet = fleet_of(units, rng)
    unit = weibull(260_000.0, 2.2, rng)
    nothing = Hazard(unit.grid, 0 * unit.grid, 0 * unit.draws, 0.0)
    half, ones = dict.fromkeys(KINDS, 0.05), dict.fromkeys(KINDS, 1.0)
    components = {
        name: Component(
            name, False, False, 1, weibull(rng.uniform(2e5, 8e5), rng.uniform(1.2, 3.0), rng), ones, ones, half, {},
            ones, 0.5, 0.0, 0.0, 500.0,
        )
        for name in fleet.positions
    }  # fmt: skip
    model = ReplacementModel("F", components, dict.fromkeys(KINDS, 0.0), {})
    usage = Usage({}, 100.0, 0.1, 0.03, np.ones(12), 12.0, {}, 100)
    when = calendar(pd.Timestamp("2025-06-30"), MONTHS, usage.season)
    planned = pd.DataFrame({name: [] for name in ("due_on", "unit", "family", "count", "reason", "complaint")})
    uses = pd.DataFrame(
        {
            "family": "F",
            "component": list(components),
            "part": list(components),
            "quantity": 1.0,
            "share": 1.0,
            "keeps": 0.0,
        }
    )
    ratios = follow(np.full((2, 24), 50.0), np.full((2, 24), 50.0)).draws(DRAWS, rng)
    drift = Drift(rng.standard_normal(DRAWS), {"F": (1.0, 1.0)}, {"F": (ratios[:, 0], ratios[:, 1])})

    start = time.perf_counter()
    teardown = TeardownModel("F", UnitFailures(unit, nothing), nothing)
    bases = build_bases({"F": fleet}, {"F": teardown}, {"F": model}, drift, when, usage, planned, {}, {"F": 0}, seed=1)
    windows = np.vstack([np.eye(MONTHS + 1)[1:], np.r_[0.0, np.ones(MONTHS)]])
    totals = []
    for name in components:
        for wanted in wanted_by_window(bases, uses[uses["part"] == name], windows, None):
            pmf = pmf_of_cells(wanted.cells, wanted.moved)
        totals.append(quantiles_of(pmf, [0.5, 0.95]))
    ours = time.perf_counter() - start

    ((streams, drawn_pieces, mean),) = streams_by_window(bases, uses[uses["part"] == "c00"], windows[-1:], None)
    some = drawn_pieces[::10] / mean
    exact, near = one_by_one(streams, some), mixed_pmf(streams, some)
    length = max(exact.size, near.size)
    gap = np.cumsum(np.pad(exact, (0, length - exact.size))) - np.cumsum(np.pad(near, (0, length - near.size)))
    error = float(np.abs(gap).max())
    needed = 0.95 * 0.05 / error**2

    start = time.perf_counter()
    tried = drawn(fleet, bases["F"], TRIED, rng)
    each = (time.perf_counter() - start) / TRIED
    run = fleet.per_day[:, None] * when.middle[None, 1 : MONTHS + 1]
    theirs = each * needed + DRAWS * evaluated(fleet, model, run)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    off = np.abs(tried.mean(axis=0) / np.array([t[0] for t in totals]) - 1).max()
    print(f"{units} units: computed in {ours:.1f} s, off by at most {error:.1e} in probability")
    print(f"drawn: {1000 * each:.1f} ms a future, {needed:,.0f} futures and {DRAWS} evaluations: {theirs:.0f} s")
    print(f"ratio 1/{theirs / ours:.0f}; memory {memory:.2f} GiB; drawn means within {off:.1%} of computed medians")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
