"""The installed base's own forecast: when x what x which, for every family at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.demand.blame import blamed
from rebuildstats.demand.compound import Cells, Stream, Take, cells_of
from rebuildstats.demand.corrections import STRAY, follow
from rebuildstats.demand.failures import (
    PositionFailures,
    Stays,
    choose_failures,
    position_events_by_month,
    stays,
    unit_events_by_month,
)
from rebuildstats.demand.fleet import Fleet, Positions
from rebuildstats.demand.hazards import Hazard, sample, tabulate
from rebuildstats.demand.piece import earliest
from rebuildstats.demand.replacements import (
    Component,
    Replacement,
    ReplacementModel,
    again_chances,
    cause_chances,
    kind_of,
    position_chances,
)
from rebuildstats.demand.sums import Array
from rebuildstats.demand.teardowns import Calendar, Chances, TeardownModel, teardown_chances
from rebuildstats.demand.usage import Usage
from rebuildstats.fits.exchange import Ask, Steps

if TYPE_CHECKING:
    from rebuildstats.life_records.records import Records

KINDS = ("failure", "scheduled", "again", "repair")
USE = ["component", "part", "quantity", "share", "keeps"]
_NONE = 1e-12  # fewer expected teardowns than this of any unit are none


@dataclass(frozen=True, slots=True)
class Base:
    """One family ahead: its fleet, chances of teardowns, mean chance per position of each component by kind of teardown
    (units, K), and draws (D,) of what moves them: component lives, drift of failures and of schedules. said: what the
    complaints of booked jobs say of their causes (`blame.blamed`)."""

    fleet: Fleet
    chances: Chances
    model: ReplacementModel
    replaced: Replacement
    life_draws: Mapping[str, Array]
    failure_drift: Array
    scheduled_drift: Array
    said: Mapping[str, Array]

    def kind(self, name: str) -> tuple[Array, Mapping[str, Array]]:
        """Teardowns (units, K) and chances of replacement of one kind."""
        return getattr(self.chances, name), getattr(self.replaced, name)

    def moved(self, name: str) -> Array:
        """Draws of what multiplies the expected teardowns of a kind: (D, K)."""
        c = self.chances
        if name == "failure":
            own = c.failure_draws * self.failure_drift[:, None]
        elif name == "scheduled":
            own = c.scheduled_draws * self.scheduled_drift[:, None]
        elif name == "again":
            own = c.failure_draws * self.failure_drift[:, None]
        else:
            own = c.repair_draws
        return np.asarray(own * c.usage_draws)


def component_hazards(
    components: pd.DataFrame, life_fits: Any, lives: pd.DataFrame, tops: Mapping[str, float], draws: int, seed: int
) -> dict[tuple[str, str], Hazard]:
    """Every component's life as a hazard up to its family's oldest age, for the families in `tops`.

    A component's draws hang on its place among all of the fleet's, so `components` is the whole list in any case.
    """
    run = (lives["lower_age"] - lives["entry_age"]).groupby([lives["family"], lives["component"]]).sum()
    out = {}
    for i, (family, component) in enumerate(zip(components["family"], components["component"], strict=True)):
        key = (str(family), str(component))
        if key[0] in tops:
            fit = life_fits.get(*key)
            out[key] = tabulate(fit, tops[key[0]], draws, seed + 17 * i, float(run.get(key, 0.0)))
    return out


def past_stays(
    records: Records, components: pd.DataFrame, first_seen: Mapping[str, pd.Timestamp], as_of: pd.Timestamp
) -> dict[str, Stays]:
    """Every family's past between rebuilds, with its in-service positions."""
    out = {}
    for family, design in components.groupby("family", sort=True):
        shows = design[design["shows"] == "in_service"]
        out[str(family)] = stays(
            records.unit_lives[records.unit_lives["family"] == family],
            records.outcomes[records.outcomes["family"] == family],
            records.positions[records.positions["family"] == family],
            {str(c): int(n) for c, n in zip(shows["component"], shows["positions"], strict=True)},
            first_seen,
            as_of,
        )
    return out


def family_models(
    records: Records,
    replacing: Mapping[str, ReplacementModel],
    pasts: Mapping[str, Stays],
    unit_hazards: Mapping[str, Hazard],
    repairs: Mapping[str, Hazard],
    scheduled: Mapping[str, Hazard],
) -> dict[str, TeardownModel]:
    """How each family's units are brought in, as its past supports it."""
    kind = kind_of(records.outcomes)
    at_failure = records.outcomes[kind == "failure"]
    beside = at_failure[at_failure["role"].fillna("") != "cause"]
    share = beside["renewed"].astype(float).groupby([beside["family"], beside["component"]]).mean()
    models = {}
    for family, model in replacing.items():
        renewed = {n: float(share.get((family, n), 1.0)) for n, c in model.components.items() if c.in_service}
        failures = choose_failures(pasts[family], unit_hazards[family], repairs[family], model, renewed)
        models[family] = TeardownModel(family, failures, scheduled[family])
    return models


@dataclass(frozen=True, slots=True)
class Drift:
    """How rebuilds of the recent past ran against what was expected, by family: `mean` and draws `moved` (D,) of the
    ratio of failures, then of scheduled rebuilds; `normals` (D,): draws of the mileage that the whole fleet shares."""

    normals: Array
    mean: Mapping[str, tuple[float, float]]
    moved: Mapping[str, tuple[Array, Array]]


def teardown_drift(
    models: Mapping[str, TeardownModel],
    pasts: Mapping[str, Stays],
    records: Records,
    first_seen: Mapping[str, pd.Timestamp],
    as_of: pd.Timestamp,
    *,
    draws: int,
    seed: int,
    months: int = 48,
) -> Steps[Drift]:
    """Observed over expected rebuilds of the recent past; how far such ratios wander is learnt from all families."""
    span = pd.period_range(end=as_of.to_period("M"), periods=months, freq="M")
    starts = [float(np.nanmin(p.start)) for p in pasts.values() if np.isfinite(p.start).any()]
    (first,) = yield from earliest([min(starts, default=np.nan)])
    if np.isfinite(first):
        span = span[span >= (pd.Timestamp("1970-01-01") + pd.Timedelta(days=first)).to_period("M")]
    families = sorted(models)
    seen: list[tuple[Array, Array]] = []
    for family in families:
        for reasons in (["failure", "comeback"], ["scheduled"]):
            failures, past = models[family].failures, pasts[family]
            units = records.unit_lives[records.unit_lives["family"] == family]
            closed = units.loc[units["end"].isin(reasons), "closed_on"]
            if reasons == ["scheduled"]:
                seen.append(unit_events_by_month(past, models[family].scheduled, closed, span))
            elif isinstance(failures, PositionFailures):
                own = records.lives[records.lives["family"] == family]
                seen.append(position_events_by_month(own, failures.model, first_seen, as_of, span))
            else:
                seen.append(unit_events_by_month(past, failures.unit, closed, span))
    shape = (len(families), 2, len(span))
    observed, expected = (np.reshape(np.array(side), shape) for side in ([o for o, _ in seen], [e for _, e in seen]))
    drift: Drift = yield Ask(_drift_each, (families, observed, expected, draws, seed))
    return drift


def _drift_each(owns: list[tuple[list[str], Array, Array, int, int]]) -> list[Drift]:
    """Each piece's drift: one discount and one prior for all families' failures, then their scheduled rebuilds."""
    families = [family for own, *_ in owns for family in own]
    both = (np.concatenate(side) for side in zip(*((o, e) for _, o, e, *_ in owns), strict=True))
    observed, expected = (np.concatenate([side[:, 0], side[:, 1]]) for side in both)
    ratios = follow(observed, expected)
    rng = np.random.default_rng(owns[0][4])
    normals = rng.standard_normal(owns[0][3])
    moved, mean, n = ratios.draws(owns[0][3], rng, ahead=6), ratios.mean, len(families)
    at = {family: i for i, family in enumerate(families)}
    return [
        Drift(
            normals,
            {f: (float(mean[at[f]]), float(mean[n + at[f]])) for f in own},
            {f: (moved[:, at[f]], moved[:, n + at[f]]) for f in own},
        )
        for own, *_ in owns
    ]


def build_bases(
    fleets: Mapping[str, Fleet],
    models: Mapping[str, TeardownModel],
    replacing: Mapping[str, ReplacementModel],
    drift: Drift,
    when: Calendar,
    usage: Usage,
    planned: pd.DataFrame,
    heard: Mapping[tuple[str, str], Mapping[str, float]],
    places: Mapping[str, int],
    *,
    seed: int,
) -> dict[str, Base]:
    """Every family's Base on one calendar, with draws that families share where they share a cause (mileage). heard:
    what complaints say of causes (`blame.complaint_ratios`). places: each family's number, from which its own draws
    come."""
    out = {}
    for family, fleet in sorted(fleets.items()):
        model = replacing[family]
        chances = teardown_chances(models[family], fleet, when, usage, planned, drift.normals)
        rate = np.nan_to_num(fleet.per_day)
        run = rate[:, None] * np.minimum(when.middle[None, :], fleet.days_left[:, None])
        said = blamed(heard, planned, fleet)
        by_kind = replaced_by_kind(model, fleet, run, chances, said)
        mean = {k: {c: q.mean(axis=1) for c, q in own.items()} for k, own in by_kind.items()}
        rng = np.random.default_rng([seed, places[family]])
        (fails, plans), (fail_mean, plan_mean) = drift.moved[family], drift.mean[family]
        out[family] = Base(
            fleet,
            chances,
            model,
            Replacement(mean["failure"], mean["scheduled"], mean["again"], mean["repair"]),
            _life_draws(model, fleet, chances, run, mean, rng)
            | {n: d for n, d in chances.life_draws.items() if not model.components[n].always},
            _normed(fails, np.array([fail_mean]), chances.failure_draws),
            _normed(plans, np.array([plan_mean]), chances.scheduled_draws),
            said,
        )
    return out


def replaced_by_kind(
    model: ReplacementModel, fleet: Fleet, run: Array, chances: Chances, said: Mapping[str, Array]
) -> dict[str, dict[str, Array]]:
    """Kind of teardown -> component -> chance per position (units, positions, K) to be replaced at one after `run`
    (units, K) more distance. said: what booked jobs' complaints say of causes."""
    by_kind = {}
    for kind in ("failure", "scheduled", "repair"):
        causes = cause_chances(model, fleet.positions, run, kind, said if kind == "failure" else None)
        by_kind[kind] = position_chances(model, fleet.positions, run, kind, causes)
    by_kind["again"] = _at_later_ones(model, fleet.positions, run, chances, by_kind["failure"])
    return by_kind


def _at_later_ones(
    model: ReplacementModel,
    positions: Mapping[str, Positions],
    run: Array,
    chances: Chances,
    first: Mapping[str, Array],
) -> dict[str, Array]:
    """Chances of replacement at rebuilds after the first, spread over the run so far."""
    before = np.cumsum(chances.failure + chances.scheduled + chances.again, axis=1)
    since = run / (1.0 + np.maximum(before, 1.0))
    if not chances.again_caused:
        return again_chances(model, positions, run, since, first)
    every = np.maximum(chances.again, 1e-300)
    causes = {name: np.minimum(own / every, 1.0) for name, own in chances.again_caused.items()}
    return again_chances(model, positions, run, since, first, causes)


def _normed(drift: Array, mean: Array, life: Array) -> Array:
    """Draws of the drift with only that much spread as the draws of the life do not hold already.

    Both are learnt from the same counts of events; counting both in full would count one uncertainty twice.
    """
    own, other = float(np.log(np.maximum(drift, 1e-9)).std()), float(np.log(np.maximum(life.mean(axis=1), 1e-9)).std())
    keep = np.sqrt(max(min(own, STRAY) ** 2, own**2 - other**2)) / own if own > 0 else 0.0
    spread = np.maximum(drift / mean, 1e-9) ** keep
    return np.asarray(mean * spread / spread.mean())


def _life_draws(
    model: ReplacementModel,
    fleet: Fleet,
    chances: Chances,
    run: Array,
    mean: Mapping[str, Mapping[str, Array]],
    rng: np.random.Generator,
) -> dict[str, Array]:
    """How the expected replacements of each component move with its life's draws: (D,), mean 1.

    To first order: a draw's extra cumulative hazard between last known good and the age then, weighed by the chance of
    the teardown and what is left to fail; an assembly moves with all that asks for it. Where the lives say less about
    the shares than the count of replacements behind them allows, the rest is a gamma of that count.
    """
    out: dict[str, Array] = {}
    some = sample(len(fleet.units))
    weight = (chances.failure + chances.scheduled).sum(axis=1)[some]
    middle = run[some, run.shape[1] // 2]
    for name, component in model.components.items():
        count = component.hazard.draws.shape[0]
        out[name] = np.ones(count)
        if component.always or name not in mean["failure"]:
            continue
        by_kind = [getattr(chances, k)[some] * mean[k][name][some] for k in ("failure", "scheduled")]
        pieces = float(np.sum(by_kind) * component.n)
        if pieces <= 1e-12:
            continue
        members = [name, *(n for n in model.inside.get(name, ()) if n in fleet.positions)]
        spared = weight * (1.0 - mean["failure"][name][some, run.shape[1] // 2])
        moved = np.zeros(count)
        for member in members:
            part = model.components[member]
            if not part.in_service:
                moved += _moved_at_teardown(part, fleet.positions[member], some, middle, spared)
        lives = np.asarray(np.clip(1.0 + moved / pieces, 0.05, 8.0))
        shares = np.asarray(rng.gamma(component.seen + 1.0, 1.0 / (component.seen + 1.0), count))
        out[name] = np.asarray(lives * _normed(shares, np.ones(1), lives[:, None]))
    return out


def _moved_at_teardown(
    component: Component, own: Positions, some: NDArray[np.int64], middle: Array, weight: Array
) -> Array:
    """Pieces more or less than the point estimate's, (D,), found failed at teardowns of the sampled units (`some`).

    middle: distance run by then; weight: expected teardowns at which nothing else has replaced it. Where the own
    failure is among what has already been reckoned, one minus its chance is taken out again.
    """
    age = own.age[some] + middle[:, None]
    live = np.where(own.failed[some] | np.isnan(age), 0.0, 1.0)
    age = np.nan_to_num(age)
    good = np.minimum(np.nan_to_num(own.good[some]), age)
    drawn = -np.expm1(-np.maximum(component.hazard.drawn(age) - component.hazard.drawn(good), 0.0))
    point = -np.expm1(-np.maximum(component.hazard.cumulative(age) - component.hazard.cumulative(good), 0.0))
    still = weight[:, None] / np.maximum(1.0 - point, 0.05) * live
    gap = (drawn - point) * np.minimum(still, weight[:, None].clip(0.0) + 1.0)
    return np.asarray(gap.sum(axis=(1, 2)) * component.found["failure"] * component.bad["failure"])


def share_of_part(positions: Positions, part: str, stated: float, keeps: float) -> Array:
    """Chance (units,) that a replaced position takes this part: a graded position keeps its own grade with chance
    `keeps`, the rest follow the share."""
    if keeps <= 0.0:
        return np.full(len(positions.age), stated)
    fitted = positions.part
    known = np.frompyfunc(lambda p: isinstance(p, str), 1, 1)(fitted).astype(bool)
    own = np.where(fitted == part, 1.0, 0.0)
    return np.asarray(np.where(known, keeps * own + (1.0 - keeps) * stated, stated).mean(axis=1))


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one part's demand in a window is made of: cells, the pieces expected (`mean`) and draws (D,) of that number
    (`drawn`); of several pieces of a fleet they add up."""

    cells: Cells
    drawn: Array
    mean: float

    def __add__(self, other: Wanted) -> Wanted:
        """Both together; nothing expected has no draws."""
        drawn = self.drawn + other.drawn if self.mean and other.mean else self.drawn if self.mean else other.drawn
        return Wanted([*self.cells, *other.cells], drawn, self.mean + other.mean)

    @property
    def moved(self) -> Array:
        """Draws of the multiplier of the expected pieces."""
        return self.drawn / self.mean if self.mean > 0.0 else np.ones(1)


def wanted_by_window(bases: Mapping[str, Base], uses: pd.DataFrame, shares: Array, shelf: str | None) -> list[Wanted]:
    """What one part's demand is made of in each window; arguments as of `streams_by_window`."""
    return [
        Wanted(cells_of(streams), drawn, mean) for streams, drawn, mean in streams_by_window(bases, uses, shares, shelf)
    ]


def streams_by_window(
    bases: Mapping[str, Base], uses: pd.DataFrame, shares: Array, shelf: str | None
) -> list[tuple[list[Stream], Array, float]]:
    """What one part's demand in each window is made of, with draws (D,) of the pieces expected and their mean.

    uses: the part's rows of `parts.uses_today`. shares: (windows, K) how much of each interval lies in a window.
    shelf: only units served by it.
    """
    streams: list[list[Stream]] = [[] for _ in shares]
    total, mean = np.zeros((1, len(shares))), np.zeros(len(shares))
    for family, rows in uses.groupby("family", sort=True):
        base = bases.get(str(family))
        if base is None or not base.fleet.units:
            continue
        taking = [row for row in rows[USE].itertuples(index=False, name=None) if row[0] in base.model.components]
        at = np.ones(len(base.fleet.units)) if shelf is None else (np.array(base.fleet.shelves) == shelf).astype(float)
        for kind in KINDS:
            teardown, replaced = base.kind(kind)
            live = teardown * at[:, None]
            each = live @ shares.T
            if each.max(initial=0.0) <= _NONE:
                continue
            moved = base.moved(kind)
            takes: list[Take] = []  # chances (units, windows)
            for name, part, quantity, stated, keeps in taking:
                if name not in replaced:
                    continue
                component = base.model.components[name]
                taken = live * replaced[name]
                taken *= share_of_part(base.fleet.positions[name], part, stated, keeps)[:, None]
                by_interval = taken.sum(axis=0) * component.n * quantity
                total = total + (moved * by_interval) @ shares.T * base.life_draws[name][:, None]
                mean += shares @ by_interval
                chance = taken @ shares.T / np.maximum(each, 1e-300)
                takes.append(Take(chance, component.n, component.together, float(quantity)))
            once = kind in KINDS[:2]
            for i, window in enumerate(each.T):
                if takes and window.max() > _NONE:
                    own = tuple(replace(take, chance=take.chance[:, i]) for take in takes)
                    streams[i].append(Stream(np.minimum(window, 1.0) if once else window, own, once))
    return [
        (own, total[:, i], float(mean[i])) if mean[i] > 0.0 else ([], np.zeros(1), 0.0) for i, own in enumerate(streams)
    ]


def oldest(fleets: Sequence[Fleet], horizon_days: float, lives: pd.DataFrame, units: pd.DataFrame) -> dict[str, float]:
    """The oldest age each family can reach or has reached, with a fifth to spare for mileage draws. What is of unknown
    age is taken to be no older than its unit's mileage."""
    mileage = units.groupby("family")["mileage"].max()
    out = {}
    for fleet in fleets:
        ahead = np.nan_to_num(fleet.per_day) * horizon_days * 1.5
        ages = [np.nan_to_num(fleet.age) + ahead]
        ages += [(np.nan_to_num(p.age) + ahead[:, None]).ravel() for p in fleet.positions.values()]
        seen = lives.loc[lives["family"] == fleet.family, ["lower_age", "upper_age"]].max().max()
        ages += [np.nan_to_num([mileage.get(fleet.family, np.nan)]) + ahead.max(initial=0.0)]
        top = max([float(a.max(initial=0.0)) for a in ages] + [float(seen) if pd.notna(seen) else 0.0])
        out[fleet.family] = 1.2 * top if top > 0 else 1.0
    return out
