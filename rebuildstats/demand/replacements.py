"""What is replaced at a teardown: each position's chance by its age then, the reason, and the shop's own habits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rebuildstats.demand.fleet import Positions
from rebuildstats.demand.hazards import Hazard
from rebuildstats.demand.parts import roots_of_components
from rebuildstats.demand.sums import Array

KINDS = ("failure", "scheduled", "repair")
_HABIT_WEIGHT = 6.0  # a component's habit of replacing while good is shrunk to its family's by this many positions
_FOUND_WEIGHT = 8.0  # found over expected is shrunk to 1 by this many expected finds
_REPLACED_WEIGHT = 5.0  # replaced of those found failed, shrunk to 0.95


@dataclass(frozen=True, slots=True)
class Component:
    """One component of a family, as seen from a teardown.

    always: renewed at every rebuild. in_service: its failure brings the unit in. n: positions. hazard: of its life.
    found: observed over expected own failures, per kind of teardown. bad: replaced of those found failed, per kind.
    habit: replaced of those not failed on their own (habit while open, damage by a neighbour), per kind. unknown: share
    found failed where the age is unknown, per kind. left_in: replaced of those known to have failed before. together:
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


def own_failure(component: Component, age: Array, good: Array) -> Array:
    """Chance that an at-teardown position is found failed, given its age and the age at which it was last good."""
    known_good = np.where(np.isnan(good), 0.0, np.minimum(good, age))
    gone = component.hazard.cumulative(age) - component.hazard.cumulative(known_good)
    return np.asarray(1.0 - np.exp(-np.maximum(gone, 0.0)))


def chance_replaced(
    component: Component, kind: str, age: Array, good: Array, failed: Array, cause_share: Array | None
) -> Array:
    """Chance that a position is replaced at a teardown of `kind`; arrays of one shape.

    cause_share: for an in-service component at a failure or repair, the position's share of its unit's hazard times the
    share of such teardowns that an in-service component causes; None elsewhere (it has shown no failure: habit only).
    """
    if component.always and kind != "repair":
        return np.ones_like(age)
    if component.in_service:
        p = np.zeros_like(age) if cause_share is None else component.found[kind] * cause_share
    else:
        p = component.found[kind] * own_failure(component, age, good)
        p = np.where(np.isnan(age), component.unknown[kind], p)
    p = np.clip(np.nan_to_num(p), 0.0, 1.0)
    q = p * component.bad[kind] + (1.0 - p) * component.habit[kind]
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
    inside = _inside(family, [str(c) for c in design["component"]], root)
    rows = rows.assign(_expected=expected, spared=~rows["bad"] & ~_bad_within(rows, inside))
    by_component = dict(list(rows.groupby("component")))
    out = {}
    none_seen = rows.iloc[:0]
    inner = {name for names in inside.values() for name in names}
    for name, renewal, positions in zip(design["component"], design["renewal"], design["positions"], strict=True):
        seen = by_component.get(name, none_seen)
        life = hazards[family, name]
        out[name] = _component(name, renewal == "always", in_service[name], int(positions), seen, life, usual)
        out[name] = replace(out[name], repaired=repaired.get(name, repaired[""]) if in_service[name] else 0.0)
        if name in inner:
            # it goes with its assembly: only its own failure asks for one, the habit is the assembly's
            out[name] = replace(out[name], habit=dict.fromkeys(KINDS, 0.0))
    return ReplacementModel(family, out, caused, inside)


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
    name: str, always: bool, in_service: bool, n: int, rows: pd.DataFrame, hazard: Hazard, usual: Mapping[str, float]
) -> Component:
    ones = dict.fromkeys(KINDS, 1.0)
    blank = Component(name, always, in_service, n, hazard, ones, ones, dict(usual), ones, 0.5, 0.0, 0.0, 0.0)
    found, bad, habit, unknown = {}, {}, {}, {}
    before = rows["failed_before"].to_numpy(dtype=bool)
    fresh = rows[~before]
    age, good = fresh["age"].to_numpy(dtype=float), fresh["good_age"].to_numpy(dtype=float)
    p = fresh["_expected"].to_numpy(dtype=float) if in_service else own_failure(blank, age, good)
    is_bad, new, kind = fresh["bad"].to_numpy(), fresh["new"].to_numpy(), fresh["kind"].to_numpy()
    untouched = fresh["spared"].to_numpy(dtype=bool)
    known = np.isfinite(age) | in_service
    overall = float((is_bad[known].sum() + _FOUND_WEIGHT) / (np.nansum(p[known]) + _FOUND_WEIGHT))
    fails = float((new & is_bad).sum() + 0.95 * _REPLACED_WEIGHT) / (is_bad.sum() + _REPLACED_WEIGHT)
    blind = float((is_bad[~known].sum() + 0.5) / ((~known).sum() + 5.0))
    for k in KINDS:
        own = kind == k
        hit, seen = is_bad & own, own & known
        found[k] = float((hit[known].sum() + _FOUND_WEIGHT * overall) / (np.nansum(p[seen]) + _FOUND_WEIGHT))
        bad[k] = float(((new & hit).sum() + fails * _REPLACED_WEIGHT) / (hit.sum() + _REPLACED_WEIGHT))
        spared = own & untouched
        habit[k] = float(((new & spared).sum() + usual[k] * _HABIT_WEIGHT) / (spared.sum() + _HABIT_WEIGHT))
        dark = own & ~known
        unknown[k] = float((is_bad[dark].sum() + blind * 5.0) / (dark.sum() + 5.0))
    old = rows[before]
    left_in = float((old["new"].sum() + 1.5) / (len(old) + 3.0))
    fitted = Component(
        name, always, in_service, n, hazard, found, bad, habit, unknown, left_in, 0.0, 0.0, float(rows["new"].sum())
    )
    return fitted if n == 1 or always else _with_together(fitted, rows)


def chance_by_row(component: Component, rows: pd.DataFrame) -> Array:
    """The model's chance for teardowns seen: rows with kind, age, good_age, failed_before and _expected (cause
    share)."""
    out = np.zeros(len(rows))
    kind = rows["kind"].to_numpy()
    for k in KINDS:
        own = kind == k
        part = rows[own]
        share = part["_expected"].to_numpy(dtype=float) if component.in_service and k != "scheduled" else None
        out[own] = chance_replaced(
            component, k, part["age"].to_numpy(dtype=float), part["good_age"].to_numpy(dtype=float),
            part["failed_before"].to_numpy(dtype=bool), share,
        )  # fmt: skip
    return out


def _with_together(component: Component, rows: pd.DataFrame) -> Component:
    """The same with the correlation of one unit's positions, by moments over the teardowns seen, shrunk to apart."""
    if not len(rows):
        return component
    q = np.clip(chance_by_row(component, rows), 1e-4, 1 - 1e-4)
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


def at_time(positions: Positions, run: Array) -> tuple[Array, Array, Array]:
    """Ages, last known good and failed of positions (units, positions, K) after `run` (units, K) more distance."""
    age = positions.age[:, :, None] + run[:, None, :]
    good = np.broadcast_to(positions.good[:, :, None], age.shape)
    return age, good, np.broadcast_to(positions.failed[:, :, None], age.shape)


def position_chances(
    model: ReplacementModel,
    positions: Mapping[str, Positions],
    run: Array,
    kind: str,
    blamed: Mapping[str, Array] | None = None,
) -> dict[str, Array]:
    """Chance per position (units, positions, K) of every component at a teardown of `kind` after `run` (units, K).

    blamed: component -> (units,) how much likelier than by its hazard it is the cause, where a complaint is known.
    """
    rate, total = {}, np.zeros_like(run)
    if kind != "scheduled":
        for name, component in model.components.items():
            if component.in_service and name in positions:
                age, _, failed = at_time(positions[name], run)
                rate[name] = np.where(failed, 0.0, component.hazard.density(age)) * component.part_of(kind)
                if blamed is not None and name in blamed:
                    rate[name] = rate[name] * blamed[name][:, None, None]
                total = total + rate[name].sum(axis=1)
    out = {}
    for name, component in model.components.items():
        if name not in positions:
            continue
        age, good, failed = at_time(positions[name], run)
        share = None
        if name in rate:
            share = model.caused[kind] * rate[name] / np.where(total > 0, total, 1.0)[:, None, :]
        out[name] = chance_replaced(component, kind, age, good, failed, share)
    for assembly, inner in model.inside.items():
        if assembly in out:
            spared = 1.0 - out[assembly]
            for name in inner:
                if name in out:
                    spared = spared * np.prod(1.0 - out[name], axis=1, keepdims=True) ** (1.0 / spared.shape[1])
            out[assembly] = 1.0 - spared
    return out


def again_chances(
    model: ReplacementModel, positions: Mapping[str, Positions], run: Array, first: Mapping[str, Array]
) -> dict[str, Array]:
    """Chance per position at a further rebuild: what the first replaced is as old as the run since, half of the time
    gone on average; the rest goes on, known good at the first."""
    young: dict[str, Positions] = {}
    old: dict[str, Positions] = {}
    for name, own in positions.items():
        zero = np.zeros_like(own.age)
        young[name] = replace(own, age=zero, good=zero, failed=np.zeros_like(own.failed))
        old[name] = replace(own, good=own.age)
    fresh = position_chances(model, young, run / 2.0, "failure")
    kept = {}
    going = position_chances(model, old, run, "failure")
    for name in fresh:
        kept[name] = first[name] * fresh[name] + (1.0 - first[name]) * going[name]
    return kept
