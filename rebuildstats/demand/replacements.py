"""What is replaced at a teardown: each position's chance by its age then, the reason, and the shop's own habits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rebuildstats.demand.fleet import Positions
from rebuildstats.demand.hazards import Hazard
from rebuildstats.demand.parts import roots_of_components
from rebuildstats.demand.sums import Array

KINDS = ("failure", "scheduled", "repair")
_HABIT_WEIGHT = 6.0  # a component's habit of replacing while good is shrunk to its family's by this many positions
_FOUND_WEIGHT = 8.0  # found over expected is shrunk to 1 by this many expected finds
_REPLACED_WEIGHT = 5.0  # replaced of those found failed, shrunk to 0.95
_BESIDE_WEIGHT = 6.0  # what a cause adds to the habit is shrunk to nothing by this many positions
_KIND_WEIGHT = 2.0  # a kind of teardown is taken to find what others find with the weight of so many finds


@dataclass(frozen=True, slots=True)
class Component:
    """One component of a family, as seen from a teardown.

    always: renewed at every rebuild. in_service: its failure brings the unit in. n: positions. hazard: of its life.
    found: observed over expected own failures, per kind of teardown. bad: replaced of those found failed, per kind.
    habit: replaced of those not failed on their own (habit while open, damage by a neighbour), per kind; beside: cause
    -> what that component's failure adds to the habit. unknown: share found failed where the age is unknown, per kind.
    left_in: replaced of those known to have failed before. together:
    correlation of the positions of one unit, 0 apart to 1 all or none. repaired: share of its failures in service that
    are mended by a repair, the unit not rebuilt. seen: replacements behind these shares.
    """

    name: str
    always: bool
    in_service: bool
    n: int
    hazard: Hazard
    found: Mapping[str, float]
    bad: Mapping[str, float]
    habit: Mapping[str, float]
    beside: Mapping[str, float]
    unknown: Mapping[str, float]
    left_in: float
    together: float
    repaired: float
    seen: float

    def part_of(self, kind: str) -> float:
        """Share of its failures in service that lead to a teardown of this kind: a repair, or a rebuild for failure."""
        return self.repaired if kind == "repair" else 1.0 - self.repaired if kind == "failure" else 0.0


@dataclass(frozen=True, slots=True)
class ReplacementModel:
    """One family. caused: share of the teardowns of a kind whose cause is an in-service component; inside: assembly ->
    components that are bought only with it."""

    family: str
    components: Mapping[str, Component]
    caused: Mapping[str, float]
    inside: Mapping[str, tuple[str, ...]]


def kind_of(frame: pd.DataFrame) -> np.ndarray:
    """failure, scheduled or repair, for rows with scope and reason."""
    repair = (frame["scope"] == "repair").to_numpy()
    failure = frame["reason"].isin(["failure", "comeback"]).to_numpy()
    return np.where(repair, "repair", np.where(failure, "failure", "scheduled"))


def own_failure(life: Hazard, age: Array, good: Array) -> Array:
    """Chance that an at-teardown position is found failed, given its age and the age at which it was last good."""
    known_good = np.where(np.isnan(good), 0.0, np.minimum(good, age))
    return np.asarray(1.0 - np.exp(-np.maximum(life.cumulative(age) - life.cumulative(known_good), 0.0)))


def chance_replaced(
    component: Component,
    kind: str,
    age: Array,
    good: Array,
    failed: NDArray[np.bool_],
    cause_share: Array | None,
    beside: Array | float = 0.0,
) -> Array:
    """Chance that a position is replaced at a teardown of `kind`; arrays of one shape.

    cause_share: for an in-service component at a failure or repair, the position's share of its unit's hazard times the
    share of such teardowns that an in-service component causes; None elsewhere (it has shown no failure: habit only).
    beside: what the teardown's likely causes add to the habit (`added_by_causes`).
    """
    if component.always and kind != "repair":
        return np.ones_like(age)
    if component.in_service:
        p = np.zeros_like(age) if cause_share is None else component.found[kind] * cause_share
    else:
        p = component.found[kind] * own_failure(component.hazard, age, good)
        p = np.where(np.isnan(age), component.unknown[kind], p)
    p = np.clip(np.nan_to_num(p), 0.0, 1.0)
    own = p * component.beside.get(component.name, 0.0) if component.in_service else 0.0  # no neighbour of itself
    habit = np.clip(component.habit[kind] + beside - own, 0.0, 1.0)
    q = p * component.bad[kind] + (1.0 - p) * habit
    return np.asarray(np.where(failed, max(component.left_in, component.habit[kind]), q))


def replacement_models(
    outcomes: pd.DataFrame, components: pd.DataFrame, hazards: Mapping[tuple[str, str], Hazard]
) -> dict[str, ReplacementModel]:
    """Per family, from the teardowns seen (records' outcomes) and the fitted lives as hazards."""
    root = roots_of_components(components)
    rows = outcomes.assign(
        kind=kind_of(outcomes),
        bad=((outcomes["verdict"] == "fail") & (outcomes["role"].fillna("") != "consequence")).to_numpy(),
        new=outcomes["renewed"].fillna(False).astype(bool),
    )
    models = {}
    for family, design in components.groupby("family", sort=True):
        own = rows[rows["family"] == family]
        models[str(family)] = _family(str(family), own, design, hazards, root)
    return models


def _family(
    family: str,
    rows: pd.DataFrame,
    design: pd.DataFrame,
    hazards: Mapping[tuple[str, str], Hazard],
    root: Mapping[tuple[str, str], str],
) -> ReplacementModel:
    in_service = {str(c): s == "in_service" for c, s in zip(design["component"], design["shows"], strict=True)}
    shows = rows["component"].map(in_service).fillna(False).astype(bool).to_numpy()
    jobs = rows.groupby("kind")["job"].nunique()
    causes = rows[shows & rows["bad"].to_numpy()].groupby("kind")["job"].nunique()
    caused = {
        k: float((causes.get(k, 0) + 0.5) / (jobs.get(k, 0) + 1.0)) if any(in_service.values()) else 0.0 for k in KINDS
    }
    repaired = _repaired(rows[shows & rows["bad"].to_numpy()])
    share = _cause_shares(rows, shows, family, hazards, repaired)
    expected = share * rows["kind"].map(caused).to_numpy(dtype=float)
    untouched = rows[~rows["bad"].to_numpy()]
    usual = {k: _usual_habit(untouched[untouched["kind"] == k], design) for k in KINDS}
    causes = _causes_of_jobs(rows[shows & rows["bad"].to_numpy()])
    inside = _inside(family, [str(c) for c in design["component"]], root)
    rows = rows.assign(
        _expected=expected, spared=~rows["bad"] & ~_bad_within(rows, inside), cause=rows["job"].map(causes)
    )
    finds = _finds_by_kind(rows[~shows], family, hazards)
    blamed = cause_shares_by_job(rows)
    by_component = dict(list(rows.groupby("component")))
    out = {}
    none_seen = rows.iloc[:0]
    inner = {name for names in inside.values() for name in names}
    for name, renewal, positions in zip(design["component"], design["renewal"], design["positions"], strict=True):
        seen = by_component.get(name, none_seen)
        life = hazards[family, name]
        out[name] = _component(
            name, renewal == "always", in_service[name], int(positions), seen, life, usual, finds, blamed
        )
        out[name] = replace(out[name], repaired=repaired.get(name, repaired[""]) if in_service[name] else 0.0)
        if name in inner:
            # it goes with its assembly: only its own failure asks for one, the habit is the assembly's
            out[name] = replace(out[name], habit=dict.fromkeys(KINDS, 0.0), beside={})
    return ReplacementModel(family, out, caused, inside)


def _causes_of_jobs(bad: pd.DataFrame) -> pd.Series[str]:
    """job -> the component that caused it: the one named as the cause, else the first found bad. bad: rows of what
    shows in service and was found bad."""
    named = bad.assign(named=(bad["role"].fillna("") == "cause")).sort_values("named", ascending=False, kind="stable")
    named = named[named["kind"] != "scheduled"]
    return named.drop_duplicates("job").set_index("job")["component"]


def _finds_by_kind(rows: pd.DataFrame, family: str, hazards: Mapping[tuple[str, str], Hazard]) -> Mapping[str, float]:
    """How much of what is bad each kind of teardown finds, relative to all of them: a repair hardly looks further than
    its cause. rows: of what shows at a teardown only."""
    rows = rows[np.isfinite(rows["age"].to_numpy(dtype=float)) & ~rows["failed_before"].to_numpy(dtype=bool)]
    expected = np.zeros(len(rows))
    for name, at in rows.reset_index(drop=True).groupby("component").indices.items():
        life, own = hazards[family, str(name)], rows.iloc[at]
        age, good = own["age"].to_numpy(dtype=float), own["good_age"].to_numpy(dtype=float)
        expected[at] = own_failure(life, age, good)
    hits, kind = rows["bad"].to_numpy(dtype=float), rows["kind"].to_numpy()
    overall = (hits.sum() + _KIND_WEIGHT) / (expected.sum() + _KIND_WEIGHT)
    return {
        k: float((hits[kind == k].sum() + _KIND_WEIGHT) / (overall * expected[kind == k].sum() + _KIND_WEIGHT))
        for k in KINDS
    }


def cause_shares_by_job(rows: pd.DataFrame) -> pd.DataFrame:
    """jobs x components: each component's chance to be the cause of a teardown. rows: outcomes with _expected."""
    likely = rows[rows["_expected"] > 0]
    return likely.pivot_table(index="job", columns="component", values="_expected", aggfunc="sum", fill_value=0.0)


def added_by_causes(component: Component, shares: Mapping[str, Array]) -> Array | float:
    """What the likely causes of a teardown add to a component's habit. shares: cause -> its chance, of any shape."""
    return sum((shares[cause] * extra for cause, extra in component.beside.items() if cause in shares), 0.0)


def _inside(family: str, names: list[str], root: Mapping[tuple[str, str], str]) -> dict[str, tuple[str, ...]]:
    """Assembly -> the components that are bought only within it."""
    inside: dict[str, tuple[str, ...]] = {}
    for name in names:
        top = root.get((family, name), name)
        if top != name and top in names:
            inside[top] = (*inside.get(top, ()), name)
    return inside


def _bad_within(rows: pd.DataFrame, inside: Mapping[str, tuple[str, ...]]) -> np.ndarray:
    """Which rows are assemblies in a job in which something supplied within them had failed."""
    out = np.zeros(len(rows), dtype=bool)
    name, job, bad = rows["component"].to_numpy(), rows["job"].to_numpy(), rows["bad"].to_numpy()
    for assembly, inner in inside.items():
        failed = set(job[np.isin(name, inner) & bad])
        out |= (name == assembly) & np.isin(job, list(failed))
    return out


def expected_cause_shares(
    rows: pd.DataFrame, model: ReplacementModel, hazards: Mapping[tuple[str, str], Hazard]
) -> Array:
    """Each row's chance to be the cause of its teardown: its share of the in-service hazard, times the kind's share of
    teardowns that an in-service component causes; 0 for what shows only at a teardown. rows: outcomes with kind."""
    shows = rows["component"].map({n: c.in_service for n, c in model.components.items()}).fillna(False).astype(bool)
    repaired = {n: c.repaired for n, c in model.components.items()} | {"": 0.0}
    share = _cause_shares(rows, shows.to_numpy(), model.family, hazards, repaired)
    return np.asarray(share * rows["kind"].map(dict(model.caused)).to_numpy(dtype=float))


def _usual_habit(rows: pd.DataFrame, design: pd.DataFrame) -> float:
    on_condition = set(design.loc[design["renewal"] != "always", "component"].astype(str))
    rows = rows[rows["component"].isin(on_condition)]
    return float((rows["new"].sum() + 0.5) / (len(rows) + 10.0))


def _repaired(bad: pd.DataFrame) -> dict[str, float]:
    """Share of the in-service failures that were mended by a repair, by component, shrunk to the family's ('')."""
    by = bad["kind"].eq("repair").groupby(bad["component"]).agg(["sum", "size"])
    usual = float((by["sum"].sum() + 0.1) / (by["size"].sum() + 2.0))
    return {"": usual} | {str(c): float((s + 4.0 * usual) / (n + 4.0)) for c, s, n in by.itertuples()}


def _cause_shares(
    rows: pd.DataFrame,
    shows: np.ndarray,
    family: str,
    hazards: Mapping[tuple[str, str], Hazard],
    repaired: Mapping[str, float],
) -> Array:
    """Each row's share of the in-service hazard of its unit at that teardown, of what leads to a teardown of its kind;
    0 for what doesn't show in service and at scheduled teardowns."""
    rate = np.zeros(len(rows))
    kind = rows["kind"].to_numpy()
    age, name = rows["age"].to_numpy(dtype=float), rows["component"].to_numpy()
    for component in pd.unique(name[shows]):
        own = (name == component) & shows
        mended = repaired.get(str(component), repaired[""])
        part = np.where(kind[own] == "repair", mended, np.where(kind[own] == "failure", 1.0 - mended, 0.0))
        rate[own] = hazards[family, str(component)].density(age[own]) * part
    total = pd.Series(rate, index=rows.index).groupby(rows["job"]).transform("sum").to_numpy()
    return np.where(total > 0, rate / np.where(total > 0, total, 1.0), 0.0)


def _component(
    name: str,
    always: bool,
    in_service: bool,
    n: int,
    rows: pd.DataFrame,
    hazard: Hazard,
    usual: Mapping[str, float],
    finds: Mapping[str, float],
    blamed: pd.DataFrame,
) -> Component:
    found, bad, habit, unknown = {}, {}, {}, {}
    before = rows["failed_before"].to_numpy(dtype=bool)
    fresh = rows[~before]
    age, good = fresh["age"].to_numpy(dtype=float), fresh["good_age"].to_numpy(dtype=float)
    p = fresh["_expected"].to_numpy(dtype=float) if in_service else own_failure(hazard, age, good)
    is_bad, new, kind = fresh["bad"].to_numpy(), fresh["new"].to_numpy(), fresh["kind"].to_numpy()
    untouched = fresh["spared"].to_numpy(dtype=bool)
    known = np.isfinite(age) | in_service
    overall = float((is_bad[known].sum() + _FOUND_WEIGHT) / (np.nansum(p[known]) + _FOUND_WEIGHT))
    fails = float((new & is_bad).sum() + 0.95 * _REPLACED_WEIGHT) / (is_bad.sum() + _REPLACED_WEIGHT)
    blind = float((is_bad[~known].sum() + 0.5) / ((~known).sum() + 5.0))
    for k in KINDS:
        own = kind == k
        hit, seen = is_bad & own, own & known
        likely = overall if in_service else overall * finds[k]
        found[k] = float((hit[known].sum() + _FOUND_WEIGHT * likely) / (np.nansum(p[seen]) + _FOUND_WEIGHT))
        bad[k] = float(((new & hit).sum() + fails * _REPLACED_WEIGHT) / (hit.sum() + _REPLACED_WEIGHT))
        spared = own & untouched
        habit[k] = float(((new & spared).sum() + usual[k] * _HABIT_WEIGHT) / (spared.sum() + _HABIT_WEIGHT))
        dark = own & ~known
        unknown[k] = float((is_bad[dark].sum() + blind * 5.0) / (dark.sum() + 5.0))
    old = rows[before]
    left_in = float((old["new"].sum() + 1.5) / (len(old) + 3.0))
    beside = {} if always else _beside(fresh[untouched], habit)
    fitted = Component(
        name, always, in_service, n, hazard, found, bad, habit, beside, unknown, left_in, 0.0, 0.0,
        float(rows["new"].sum()),
    )  # fmt: skip
    return fitted if n == 1 or always else _with_together(fitted, rows, blamed)


def _beside(spared: pd.DataFrame, habit: Mapping[str, float]) -> dict[str, float]:
    """What each cause adds to the habit of replacing, over the teardowns that it caused. spared: rows of one component
    that had not failed on its own."""
    rows = spared[spared["cause"].notna()]
    more = rows["new"].astype(float) - rows["kind"].map(dict(habit)).astype(float)
    by_cause = more.groupby(rows["cause"]).agg(["sum", "size"])
    return {str(c): float(s / (n + _BESIDE_WEIGHT)) for c, s, n in by_cause.itertuples()}


def chance_by_row(component: Component, rows: pd.DataFrame, blamed: pd.DataFrame) -> Array:
    """The model's chance for teardowns seen: rows with kind, age, good_age, failed_before and _expected (cause
    share). blamed: `cause_shares_by_job`."""
    out = np.zeros(len(rows))
    kind = rows["kind"].to_numpy()
    of_jobs = blamed.reindex(rows["job"]).fillna(0.0)
    beside = added_by_causes(component, {str(c): of_jobs[c].to_numpy() for c in of_jobs}) + np.zeros(len(rows))
    for k in KINDS:
        own = kind == k
        part = rows[own]
        share = part["_expected"].to_numpy(dtype=float) if component.in_service and k != "scheduled" else None
        out[own] = chance_replaced(
            component, k, part["age"].to_numpy(dtype=float), part["good_age"].to_numpy(dtype=float),
            part["failed_before"].to_numpy(dtype=bool), share, beside[own],
        )  # fmt: skip
    return out


def _with_together(component: Component, rows: pd.DataFrame, blamed: pd.DataFrame) -> Component:
    """The same with the correlation of one unit's positions, by moments over the teardowns seen, shrunk to apart."""
    if not len(rows):
        return component
    q = np.clip(chance_by_row(component, rows, blamed), 1e-4, 1 - 1e-4)
    sd = np.sqrt(q * (1.0 - q))
    frame = pd.DataFrame(
        {"gap": rows["new"].to_numpy(dtype=float) - q, "own": sd**2, "all": sd, "job": rows["job"].to_numpy()}
    )
    sums = frame.groupby("job")[["gap", "own", "all"]].sum()
    pairs = float((sums["all"] ** 2 - sums["own"]).sum())
    extra = float((sums["gap"] ** 2).sum()) - float(sums["own"].sum())
    together = float(np.clip(extra / (pairs + 4.0), 0.0, 0.95)) if pairs > 0 else 0.0
    return replace(component, together=together)


@dataclass(frozen=True, slots=True)
class Replacement:
    """A family's chances of replacement by component: mean over a unit's positions, arrays (units, K).

    first: at the first rebuild for failure; scheduled: at a first scheduled one; again: at a later one; repair.
    """

    failure: Mapping[str, Array]
    scheduled: Mapping[str, Array]
    again: Mapping[str, Array]
    repair: Mapping[str, Array]


def cause_chances(
    model: ReplacementModel,
    positions: Mapping[str, Positions],
    run: Array,
    kind: str,
    blamed: Mapping[str, Array] | None = None,
) -> dict[str, Array]:
    """Chance of every in-service position (units, positions, K) to be the cause of a teardown of `kind` after `run`
    (units, K) more distance; nothing at scheduled ones.

    blamed: component -> (units,) how much likelier than by its hazard it is the cause, where a complaint is known.
    """
    rate: dict[str, Array] = {}
    if kind == "scheduled":
        return rate
    total = np.zeros_like(run)
    for name, component in model.components.items():
        if component.in_service and name in positions:
            own = positions[name]
            density = component.hazard.density(own.age[:, :, None] + run[:, None, :])
            rate[name] = np.where(own.failed[:, :, None], 0.0, density) * component.part_of(kind)
            if blamed is not None and name in blamed:
                rate[name] = rate[name] * blamed[name][:, None, None]
            total = total + rate[name].sum(axis=1)
    share = model.caused[kind] / np.where(total > 0, total, 1.0)
    return {name: own * share[:, None, :] for name, own in rate.items()}


def position_chances(
    model: ReplacementModel, positions: Mapping[str, Positions], run: Array, kind: str, causes: Mapping[str, Array]
) -> dict[str, Array]:
    """Chance per position (units, positions, K) of every component at a teardown of `kind` after `run` (units, K).

    causes: chances to be the cause (`cause_chances`).
    """
    at = {name: (own.age[:, :, None] + run[:, None, :], own.good[:, :, None]) for name, own in positions.items()}
    return _chances_at(model, positions, at, kind, causes)


def _chances_at(
    model: ReplacementModel,
    positions: Mapping[str, Positions],
    at: Mapping[str, tuple[Array, Array]],
    kind: str,
    causes: Mapping[str, Array],
) -> dict[str, Array]:
    """The same at ages and last known good ages (units, positions, K)."""
    by_unit = {name: own.sum(axis=1)[:, None, :] for name, own in causes.items()}
    out = {}
    for name, component in model.components.items():
        if name in positions:
            age, good = at[name]
            failed = np.broadcast_to(positions[name].failed[:, :, None], age.shape)
            beside = added_by_causes(component, by_unit)
            good = np.broadcast_to(good, age.shape)
            out[name] = chance_replaced(component, kind, age, good, failed, causes.get(name), beside)
    for assembly, inner in model.inside.items():
        if assembly in out:
            spared = 1.0 - out[assembly]
            for name in inner:
                if name in out:
                    own = 1.0 - out[name]
                    # position goes with position where both have as many, else every one with every one
                    spared = spared * (own if own.shape == spared.shape else np.prod(own, axis=1, keepdims=True))
            out[assembly] = 1.0 - spared
    return out


def again_chances(
    model: ReplacementModel,
    positions: Mapping[str, Positions],
    run: Array,
    since: Array,
    first: Mapping[str, Array],
    causes: Mapping[str, Array] | None = None,
) -> dict[str, Array]:
    """Chance per position at a further rebuild, `since` (units, K) after the one before: what that replaced is as old
    as the run since, the rest goes on, known good then.

    first: chances at the first rebuild. causes: component -> (units, K) its share of such rebuilds; by the hazards of
    the two where not known.
    """
    young: dict[str, Positions] = {}
    for name, own in positions.items():
        zero = np.zeros_like(own.age)
        young[name] = replace(own, age=zero, good=zero, failed=np.zeros_like(own.failed))
    going = {
        name: (own.age[:, :, None] + run[:, None, :], own.age[:, :, None] + (run - since)[:, None, :])
        for name, own in positions.items()
    }
    if causes is None:
        of_young = cause_chances(model, young, since, "failure")
        of_old = cause_chances(model, positions, run, "failure")
    else:
        each = {
            name: np.repeat(share[:, None, :] / positions[name].age.shape[1], positions[name].age.shape[1], axis=1)
            * model.caused["failure"]
            for name, share in causes.items()
        }
        of_young = of_old = each
    fresh = position_chances(model, young, since, "failure", of_young)
    old = _chances_at(model, positions, going, "failure", of_old)
    # the one before came at any time until then
    before = {name: np.cumsum(q, axis=-1) / np.arange(1.0, q.shape[-1] + 1.0) for name, q in first.items()}
    return {name: before[name] * fresh[name] + (1.0 - before[name]) * old[name] for name in fresh}
