"""How failures in service come about: from the unit's own life, or from the lives of the positions whose failure shows.

Both say the same thing, a hazard of being brought in; which one the history supports is asked of the history.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pandas as pd

from rebuildstats.demand.comebacks import Places, from_position_lives, from_unit_lives
from rebuildstats.demand.corrections import count_by_month
from rebuildstats.demand.fleet import Fleet
from rebuildstats.demand.hazards import Hazard, checkpoints, relative_by_interval, sample
from rebuildstats.demand.replacements import ReplacementModel
from rebuildstats.demand.sums import Array
from rebuildstats.demand.usage import days_of

_FEW = 0.05  # expected events below which a ratio of expectations is not followed
_LEAST_BLAMED = 0.5  # share of failures with a cause that shows, below which the positions' account is not asked
_UNIT_HANDICAP = 1.0  # log chance that the unit's own fit owes to having been fitted to these very failures


@dataclass(frozen=True, slots=True)
class Later:
    """Expected rebuilds after a unit's first one, its repairs, and by component the later rebuilds that it causes,
    where the account of failures knows: (units, K) each."""

    again: Array
    repair: Array
    caused: Mapping[str, Array]


class Failures(Protocol):
    """What brings a family's units in for failure."""

    def failing(self, fleet: Fleet, gone: Array) -> Array:
        """Hazard of a first rebuild for failure, per unit and interval (units, K), of a fleet that has run `gone`
        (units, K + 1) since the as-of day at the edges of the intervals."""

    def later(self, fleet: Fleet, gone: Array, scheduled: Hazard, first: Array, calm: Array, /) -> Later:
        """What comes after a unit's first rebuild.

        scheduled: hazard of a rebuild by schedule over the distance since a rebuild. first: chance of the first rebuild
        in each interval; calm: of one without a failure.
        """

    def draws(self, fleet: Fleet, gone: Array) -> tuple[Array, Array, dict[str, Array]]:
        """Draws of what multiplies expected rebuilds and repairs, (D, K) each, and, by component, (D,) its failures
        relative to all."""


def gather(hazard: Hazard, age: Array, gone: Array) -> Array:
    """Hazard gathered in each interval (..., K) from ages (...) with distances run (..., K + 1); the mean rate where
    the
    age is unknown."""
    at = age[..., None] + gone
    return np.where(
        np.isnan(age)[..., None], hazard.rate * np.diff(gone, axis=-1), np.diff(hazard.cumulative(at), axis=-1)
    )


def gather_drawn(hazard: Hazard, age: Array, gone: Array) -> tuple[Array, Array]:
    """Hazard gathered since the as-of day by each draw, (D, ..., T), and by the point estimate, (..., T), for ages
    (...)
    after distances (..., T)."""
    unknown = np.isnan(age)[..., None]
    at = np.where(unknown, 0.0, age[..., None]) + gone
    start = np.where(np.isnan(age), 0.0, age)
    by_rate = hazard.rate * gone
    drawn = hazard.drawn(at) - hazard.drawn(start)[..., None]
    point = hazard.cumulative(at) - hazard.cumulative(start)[..., None]
    return np.where(unknown, by_rate, np.maximum(drawn, 0.0)), np.where(unknown, by_rate, np.maximum(point, 0.0))


def moved_by_draws(hazard: Hazard, age: Array, gone: Array) -> Array:
    """Draws of what multiplies the first events of units of `age` (units,) that run `gone` (units, K + 1): (D, K)."""
    stops, some = checkpoints(gone.shape[1] - 1), sample(age.size)
    drawn, point = gather_drawn(hazard, age[some], gone[np.ix_(some, stops)])
    return relative_by_interval((-np.expm1(-drawn)).sum(axis=1), (-np.expm1(-point)).sum(axis=0), stops)


@dataclass(frozen=True, slots=True)
class UnitFailures:
    """Failures by the unit's own life since its rebuild; repairs at a constant rate per distance."""

    unit: Hazard
    repair: Hazard

    def failing(self, fleet: Fleet, gone: Array) -> Array:
        return gather(self.unit, fleet.age, gone)

    def later(self, _fleet: Fleet, gone: Array, scheduled: Hazard, first: Array, _calm: Array) -> Later:
        again = from_unit_lives(self.unit, scheduled, first, gone)
        return Later(again, self.repair.rate * np.diff(gone, axis=1), {})

    def draws(self, fleet: Fleet, gone: Array) -> tuple[Array, Array, dict[str, Array]]:
        failing = moved_by_draws(self.unit, fleet.age, gone)
        rates = self.repair.draws[:, -1]
        mended = np.where(rates.max() > 0, rates / max(float(rates.mean()), 1e-300), 1.0)
        return failing, np.repeat(mended[:, None], failing.shape[1], axis=1), {}


@dataclass(frozen=True, slots=True)
class PositionFailures:
    """Failures by the lives of the positions that show in service; each is mended by a repair or leads to a rebuild.

    renewed: component -> share of its positions renewed at a rebuild for failure that it didn't cause. scale: rebuilds
    for
    failure over those that a component which shows was blamed for.
    """

    model: ReplacementModel
    renewed: Mapping[str, float]
    scale: float

    def _shown(self, fleet: Fleet) -> list[str]:
        return [n for n, c in self.model.components.items() if c.in_service and n in fleet.positions]

    def _each(self, fleet: Fleet, gone: Array) -> dict[str, Array]:
        """Hazard of every position that shows, by component (units, positions, K)."""
        out = {}
        for name in self._shown(fleet):
            own = fleet.positions[name]
            still = np.where(own.failed, 0.0, self.scale)[:, :, None]
            out[name] = gather(self.model.components[name].hazard, own.age, gone[:, None, :]) * still
        return out

    def failing(self, fleet: Fleet, gone: Array) -> Array:
        each = self._each(fleet, gone)
        return np.asarray(
            np.sum([e.sum(axis=1) * (1.0 - self.model.components[n].repaired) for n, e in each.items()], axis=0)
        )

    def later(self, fleet: Fleet, gone: Array, scheduled: Hazard, first: Array, calm: Array) -> Later:
        components, each = self.model.components, self._each(fleet, gone)
        places = [
            Places(own, components[n].hazard, components[n].repaired, self.renewed[n], components[n].always, self.scale)
            for n, own in each.items()
        ]
        again, mended, caused = from_position_lives(places, scheduled, first, calm, gone)
        return Later(again, mended, dict(zip(each, caused, strict=True)))

    def draws(self, fleet: Fleet, gone: Array) -> tuple[Array, Array, dict[str, Array]]:
        stops, some = checkpoints(gone.shape[1] - 1), sample(len(fleet.units))
        run = gone[np.ix_(some, stops)]
        drawn, point = {}, {}
        for name in self._shown(fleet):
            own = fleet.positions[name]
            still = np.where(own.failed[some], 0.0, self.scale)[:, :, None]
            every, plain = gather_drawn(self.model.components[name].hazard, own.age[some], run[:, None, :])
            drawn[name], point[name] = (every * still).sum(axis=2), (plain * still).sum(axis=1)
        mended = {n: self.model.components[n].repaired for n in drawn}
        failing = np.sum([drawn[n] * (1.0 - mended[n]) for n in drawn], axis=0)
        failing_point = np.sum([point[n] * (1.0 - mended[n]) for n in drawn], axis=0)
        first, first_point = -np.expm1(-failing), -np.expm1(-failing_point)
        whole = relative_by_interval(first.sum(axis=1), first_point.sum(axis=0), stops)
        # of a unit's own chance to come in, each component has its part of the hazard
        last = first[:, :, -1] / np.maximum(failing[:, :, -1], 1e-300)
        last_point = first_point[:, -1] / np.maximum(failing_point[:, -1], 1e-300)
        overall = first[:, :, -1].sum(axis=1) / max(float(first_point[:, -1].sum()), 1e-300)
        share: dict[str, Array] = {}
        repairs, repairs_point = np.zeros(len(overall)), 0.0
        for name in drawn:
            by_draw = np.asarray((drawn[name][:, :, -1] * last).sum(axis=1))
            by_point = float((point[name][:, -1] * last_point).sum())
            repairs, repairs_point = repairs + mended[name] * by_draw, repairs_point + mended[name] * by_point
            share[name] = (by_draw + _FEW) / (by_point + _FEW) / np.maximum(overall, 1e-2)
        repaired = (repairs + _FEW) / (repairs_point + _FEW)
        return whole, np.repeat(repaired[:, None], whole.shape[1], axis=1), share


def with_rate_of_the_unknown(
    hazards: Mapping[tuple[str, str], Hazard],
    family: str,
    past: Stays,
    outcomes: pd.DataFrame,
) -> dict[tuple[str, str], Hazard]:
    """The family's in-service hazards with the rate of positions of unknown age put right.

    They are mostly what was old when first seen; their own failures over what the mean rate expects of their distance
    says by how much, one ratio a family, shrunk to 1 by five events.
    """
    expected = 0.0
    for name, ages in past.positions.items():
        dark = np.isnan(ages).sum(axis=1)
        expected += float(np.nansum(dark * past.run) * hazards[family, name].rate)
    failed = (outcomes["verdict"] == "fail") & (outcomes["role"].fillna("") != "consequence") & outcomes["age"].isna()
    seen = float((failed & outcomes["component"].isin(list(past.positions))).sum())
    ratio = (seen + 5.0) / (expected + 5.0)
    return {(family, n): replace(hazards[family, n], rate=hazards[family, n].rate * ratio) for n in past.positions}


@dataclass(frozen=True, slots=True)
class Stays:
    """Past and running stays of a family's units between rebuilds, with their in-service positions.

    Per stay (S,): start and end in days, failed (came in for failure), age at the end, distance run. By component the
    ages at the end (S, positions), NaN where unknown.
    """

    start: Array
    end: Array
    failed: Array
    age: Array
    run: Array
    positions: Mapping[str, Array]


def stays(
    unit_lives: pd.DataFrame,
    outcomes: pd.DataFrame,
    positions: pd.DataFrame,
    shown: Mapping[str, int],
    first_seen: Mapping[str, pd.Timestamp],
    as_of: pd.Timestamp,
) -> Stays:
    """The stays of one family. shown: in-service component -> positions."""
    rows = unit_lives.reset_index(drop=True)
    opened = rows["opened_on"].fillna(rows["unit"].map(dict(first_seen)))
    ends = rows["closed_on"].fillna(as_of)
    closed = outcomes[outcomes["component"].isin(list(shown))]
    today = positions[positions["component"].isin(list(shown))]
    ages: dict[str, Array] = {}
    for name, n in shown.items():
        at = np.full((len(rows), n), np.nan)
        past = closed[closed["component"] == name].pivot(index="job", columns="position", values="age")
        now = today[today["component"] == name].pivot(index="unit", columns="position", values="age")
        for j in range(1, n + 1):
            before = rows["closed_by"].map(past[j]) if j in past else pd.Series(np.nan, index=rows.index)
            running = rows["unit"].map(now[j]) if j in now else pd.Series(np.nan, index=rows.index)
            at[:, j - 1] = np.where(rows["closed_by"].notna(), before.astype(float), running.astype(float))
        ages[name] = at
    return Stays(
        days_of(opened),
        days_of(ends),
        np.asarray(rows["end"].isin(["failure", "comeback"]), dtype=float),
        rows["lower_age"].to_numpy(dtype=float),
        (rows["lower_age"] - rows["entry_age"]).to_numpy(dtype=float),
        ages,
    )


def _over(hazard: Hazard, end: Array, run: Array, part: Array) -> Array:
    """Cumulative hazard gathered by `part` (..., M) of a run that ends at age `end` (...); mean rate if unknown."""
    start = np.maximum(end - run, 0.0)
    at = start[..., None] + (end - start)[..., None] * part
    known = hazard.cumulative(at) - hazard.cumulative(start)[..., None]
    return np.where(np.isnan(end)[..., None], hazard.rate * run[..., None] * part, known)


def gathered_in_stays(past: Stays, source: Hazard | PositionFailures, part: Array) -> Array:
    """Hazard of a rebuild for failure gathered over the first `part` (S, M) of each stay, (S, M)."""
    if isinstance(source, Hazard):
        return _over(source, past.age, past.run, part)
    total = np.zeros_like(part)
    for name, ages in past.positions.items():
        component = source.model.components[name]
        for j in range(ages.shape[1]):
            total += _over(component.hazard, ages[:, j], past.run, part) * (1.0 - component.repaired)
    return total


def density_at_end(past: Stays, source: Hazard | PositionFailures) -> Array:
    """Hazard of a rebuild for failure per distance at the end of each stay (S,)."""
    if isinstance(source, Hazard):
        return source.density(past.age)
    total = np.zeros(past.age.size)
    for name, ages in past.positions.items():
        component = source.model.components[name]
        total += component.hazard.density(ages).sum(axis=1) * (1.0 - component.repaired)
    return total


def log_chance(past: Stays, source: Hazard | PositionFailures) -> float:
    """Log chance of the stays' failures under a hazard scaled to their number."""
    used = np.isfinite(past.age) & np.isfinite(past.run)
    total = float(np.nansum(gathered_in_stays(past, source, np.ones((past.age.size, 1)))[used]))
    failed = float(past.failed[used].sum())
    if total <= 0.0 or failed <= 0.0:
        return -np.inf
    rate = np.maximum(density_at_end(past, source), 1e-300)
    return float((past.failed * np.log(rate))[used].sum() + failed * np.log(failed / total) - failed)


def choose_failures(
    past: Stays, unit: Hazard, repair: Hazard, model: ReplacementModel, renewed: Mapping[str, float]
) -> UnitFailures | PositionFailures:
    """The account of failures under which the family's past is likelier.

    The positions' lives know which parts are old; the unit's own life needs no causes recorded. The scale of the
    positions' account makes up for failures that no component was blamed for.
    """
    by_unit = UnitFailures(unit, repair)
    if not past.positions or model.caused["failure"] < _LEAST_BLAMED:
        return by_unit
    by_position = PositionFailures(model, renewed, 1.0 / model.caused["failure"])
    own, theirs = log_chance(past, unit), log_chance(past, by_position)
    return by_position if np.isfinite(theirs) and theirs + _UNIT_HANDICAP >= own else by_unit


def _by_month(hazard: Hazard, start: Array, end: Array, entry: Array, last: Array, edges: Array) -> Array:
    """Hazard gathered in each month by lives that ran from `start` to `end` (days) and from age `entry` to `last`."""
    known = np.isfinite(start) & np.isfinite(end) & np.isfinite(entry) & np.isfinite(last)
    start, end, entry, last = (a[known][:, None] for a in (start, end, entry, last))
    part = np.clip((edges[None, :] - start) / np.maximum(end - start, 1.0), 0.0, 1.0)
    return np.asarray(np.diff(hazard.cumulative(entry + (last - entry) * part), axis=1).sum(axis=0))


def month_edges(months: pd.PeriodIndex) -> Array:
    """First days of the months and the day after the last, in days."""
    return np.append(days_of(months.start_time), days_of(months[-1:].end_time)[0])


def unit_events_by_month(past: Stays, hazard: Hazard, closed: pd.Series, months: pd.PeriodIndex) -> tuple[Array, Array]:
    """Observed and expected ends of stays in each past month, (months,) each, under a hazard over the unit's age.

    closed: dates of the ends that count. A stay's distance is spread evenly over its days.
    """
    expected = _by_month(hazard, past.start, past.end, past.age - past.run, past.age, month_edges(months))
    return count_by_month(closed, months), expected


def position_events_by_month(
    lives: pd.DataFrame,
    model: ReplacementModel,
    first_seen: Mapping[str, pd.Timestamp],
    as_of: pd.Timestamp,
    months: pd.PeriodIndex,
) -> tuple[Array, Array]:
    """Observed and expected failures in service of the positions whose lives are known, (months,) each."""
    edges = month_edges(months)
    observed, expected = np.zeros(len(months)), np.zeros(len(months))
    for name, rows in lives[lives["component"].isin([n for n, c in model.components.items() if c.in_service])].groupby(
        "component"
    ):
        start = days_of(rows["opened_on"].fillna(rows["unit"].map(dict(first_seen))))
        end = days_of(rows["closed_on"].fillna(as_of))
        last = rows["upper_age"].fillna(rows["lower_age"]).to_numpy(dtype=float)
        entry = rows["entry_age"].to_numpy(dtype=float)
        expected += _by_month(model.components[str(name)].hazard, start, end, entry, last, edges)
        observed += count_by_month(rows.loc[rows["upper_age"].notna(), "closed_on"], months)
    return observed, expected
