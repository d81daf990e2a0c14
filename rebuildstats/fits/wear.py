"""What usually wears by a mileage: one table per family for the bench.

The chance of a row is its component's: that at least one position is found bad at a teardown at the given age, from
the fitted life, 1 - product over positions of S(age). Every point of a component carries it; beside it stands the
point's own chance, from its readings against the limit or from its verdicts, and whether the two disagree: it lies
above the component's, or all points of the component together can't add up to it (Boole's inequality). Where no life
could be fitted the point's own fit stands in, and where that can't be either, the row carries a bound (`from` says
which). With a unit each position is taken at its own age, given the age at which it was last known good; one that
already failed and wasn't replaced is bad for certain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.complaints import causes_of
from rebuildstats.fits.points import PointFit, PointFits
from rebuildstats.fits.rows import flag, number, numbers, text
from rebuildstats.fits.rows import rows as rows_of

Array = npt.NDArray[np.float64]

COLUMNS = (
    "family",
    "component",
    "point",
    "chance_bad",
    "chance_lower",
    "chance_upper",
    "reading_q10",
    "reading_q50",
    "reading_q90",
    "low_limit",
    "high_limit",
    "part",
    "quantity",
)
MORE = (
    "name",
    "safety",
    "shows",
    "positions",
    "method",
    "reading_unit",
    "caution",
    "from",
    "events",
    "lives",
    "checked",
    "failed",
    "point_chance",
    "point_lower",
    "point_upper",
    "disagrees",
    "other_parts",
    "complaint_share",
    "complaint_count",
)


class Draws(Protocol):
    def log_survival(self, age: Any, covariates: Any = None) -> Array: ...


class LifeModel(Protocol):
    """What this module asks of a fitted life; see the life fits for the real thing."""

    events: int
    lives: int

    def chance(self, age: Any, covariates: Any = None) -> Array: ...

    def draws(self, n: int, seed: int) -> Draws: ...


class LifeFitsLike(Protocol):
    def get(self, family: str, component: Any) -> Any: ...


@dataclass(frozen=True, slots=True)
class Chance:
    """Chance that at least one position is bad, with limits and where it comes from ('life', 'readings', 'verdicts',
    'bound')."""

    value: float
    lower: float
    upper: float
    source: str


def can_say(model: Any) -> bool:
    """Whether a fitted life gives chances, rather than a reason why it can't say."""
    return model is not None and bool(np.isfinite(np.asarray(model.chance(np.array([1.0])))).all())


def life_bound(model: Any, age: Array) -> Chance:
    """All that exposure without failures says: at most so likely, by the bound of B10 and a Weibull shape of 2
    (wear-out)."""
    b10 = float(getattr(model, "b10_lower", 0.0) or 0.0)
    if not b10 > 0:
        return Chance(np.nan, 0.0, 1.0, "bound")
    hazard = -np.log(0.9) * float(((age / b10) ** 2).sum())
    return Chance(np.nan, 0.0, float(-np.expm1(-hazard)), "bound")


def life_chance(
    model: LifeModel,
    age: Array,
    good_age: Array,
    failed: Array,
    *,
    draws: int = 400,
    seed: int = 0,
    level: float = 0.90,
) -> Chance:
    """At least one of these positions bad at `age`, each given that it was good at `good_age` (0: as renewed)."""
    if np.any(failed):
        return Chance(1.0, 1.0, 1.0, "life")
    known = np.minimum(good_age, age)

    def bad(log_survival: Array) -> Array:
        half = log_survival.shape[-1] // 2
        at_age, at_good = log_survival[..., :half], log_survival[..., half:]
        return np.asarray(-np.expm1(np.minimum(at_age - at_good, 0.0).sum(axis=-1)))

    both = np.concatenate([age, known])
    each = bad(model.draws(draws, seed).log_survival(both))
    with np.errstate(divide="ignore"):
        point = float(bad(np.log(np.maximum(1.0 - np.asarray(model.chance(both)), 1e-300))[None, :])[0])
    low, high = np.quantile(each, [(1 - level) / 2, (1 + level) / 2])
    return Chance(point, float(min(low, point)), float(max(high, point)), "life")


def point_chance(fit: PointFit, age: Array, level: float = 0.90) -> Chance:
    """At least one position bad by the point's own fit, positions independent given the age."""
    value, (low, high) = fit.chance(age), fit.interval(age, level)

    def any_of(p: Array) -> float:
        return float(1 - np.prod(1 - np.clip(p, 0.0, 1.0)))

    source = "readings" if fit.by_gauge else ("verdicts" if fit.verdict.kind == "verdict" else "bound")
    return Chance(any_of(value), any_of(low), any_of(high), source)


def wear_table(
    family: str,
    mileage: float,
    point_fits: PointFits,
    life_fits: LifeFitsLike,
    components: pd.DataFrame,
    points: pd.DataFrame,
    part_uses: pd.DataFrame,
    parts: pd.DataFrame,
    positions: pd.DataFrame | None = None,
    complaint: str | None = None,
    complaints: pd.DataFrame | None = None,
    *,
    unit_age: float | None = None,
    seed: int = 0,
) -> pd.DataFrame:
    """One row per point of the family, and one for each component without a point; likeliest first, safety first
    among equals.

    positions: the rows of one unit in the `positions` record. Its positions then stand at their own ages, moved ahead
    by `mileage - unit_age` where the unit's own distance since its last rebuild, `unit_age`, is known (never back).
    Positions of unknown age take `mileage`. complaint, complaints: the complaint heard and the table of
    `complaint_causes`; components it names come first by their share as cause. Raises ValueError for a negative
    mileage.
    """
    if not mileage >= 0:
        raise ValueError("the mileage must be a distance since the last rebuild, 0 or more")
    own = components.loc[components["family"] == family]
    own_points = points.loc[points["family"] == family]
    pulls = part_to_pull(family, components, part_uses, parts)
    ahead = max(mileage - unit_age, 0.0) if unit_age is not None and np.isfinite(unit_age) else 0.0
    causes = _causes(family, mileage, complaint, complaints)
    rows: list[dict[str, object]] = []
    for item in rows_of(own):
        component = str(item.component)
        age, good, failed = _ages(component, int(item.positions), mileage, ahead, positions)
        model = life_fits.get(family, component)
        whole = life_chance(model, age, good, failed, seed=seed) if can_say(model) else None
        if whole is None and np.any(failed):
            whole = Chance(1.0, 1.0, 1.0, "found failed, not replaced")
        mine = own_points.loc[own_points["component"] == component]
        part, quantity, others = pulls.get(component, ("", float("nan"), ""))
        base = {
            "family": family,
            "component": component,
            "name": text(item.name) or component,
            "safety": flag(item.safety),
            "shows": text(item.shows),
            "positions": len(age),
            "part": part,
            "quantity": quantity,
            "other_parts": others,
            "events": getattr(model, "events", 0),
            "lives": getattr(model, "lives", 0),
            "complaint_share": causes.get(component, (0.0, 0))[0] if complaint else np.nan,
            "complaint_count": causes.get(component, (0.0, 0))[1] if complaint else 0,
        }
        if not len(mine):
            rows.append(base | _without_point(whole or life_bound(model, age)))
        fits = [point_fits.get(family, str(spot.point)) for spot in rows_of(mine)]
        own_chances = [point_chance(fit, age) if fit else Chance(np.nan, 0.0, 1.0, "bound") for fit in fits]
        # a component fails where any of its points does: one point alone may well fail less often
        together = min(sum(one.upper for one in own_chances), 1.0)
        for spot, fit, one in zip(rows_of(mine), fits, own_chances, strict=True):
            rows.append(base | _with_point(spot, fit, one, together, whole, age))
    table = pd.DataFrame(rows, columns=[*COLUMNS, *MORE])
    return _ranked(table, complaint)


def _ranked(table: pd.DataFrame, complaint: str | None) -> pd.DataFrame:
    """Likeliest first; among chances equal to the nearest whole percent, safety first, then the order of names."""
    if table.empty:
        return table
    keys = pd.DataFrame(
        {
            "complaint": -table["complaint_share"].fillna(0).round(2) if complaint else 0.0,
            "chance": -table["chance_bad"].fillna(-1).round(2),
            "safety": ~table["safety"].astype(bool),
            "component": table["component"],
            "point": table["point"].fillna(""),
        }
    )
    return table.loc[keys.sort_values(list(keys.columns), kind="stable").index].reset_index(drop=True)


def _ages(
    component: str, count: int, mileage: float, ahead: float, positions: pd.DataFrame | None
) -> tuple[Array, Array, Array]:
    """(age, age last known good, failed) of each position at the teardown."""
    if positions is None:
        return np.full(count, float(mileage)), np.zeros(count), np.zeros(count, dtype=float)
    rows = positions.loc[positions["component"] == component]
    if rows.empty:
        return np.full(count, float(mileage)), np.zeros(count), np.zeros(count, dtype=float)
    today = numbers(rows["age"])
    age = np.where(np.isfinite(today), today + ahead, mileage)
    good = np.where(np.isfinite(today), np.nan_to_num(numbers(rows["good_age"])), 0.0)
    return age, good, np.nan_to_num(numbers(rows["failed"].astype("Float64")))


def _without_point(shown: Chance) -> dict[str, object]:
    return {
        "point": "",
        "chance_bad": shown.value,
        "chance_lower": shown.lower,
        "chance_upper": shown.upper,
        "from": shown.source,
        "checked": 0,
        "failed": 0,
        "disagrees": False,
    }


def _with_point(
    spot: Any, fit: PointFit | None, own: Chance, together: float, whole: Chance | None, age: Array
) -> dict[str, object]:
    """One point's row; `together`: the most that the chances of all points of its component can add up to."""
    shown = whole or own
    row: dict[str, object] = {
        "point": str(spot.point),
        "chance_bad": shown.value,
        "chance_lower": shown.lower,
        "chance_upper": shown.upper,
        "from": shown.source,
        "method": text(spot.method),
        "reading_unit": text(spot.reading_unit),
        "caution": text(spot.caution),
        "low_limit": number(spot.low_limit),
        "high_limit": number(spot.high_limit),
        "point_chance": own.value,
        "point_lower": own.lower,
        "point_upper": own.upper,
        "checked": fit.checked if fit else 0,
        "failed": fit.fails if fit else 0,
        "disagrees": whole is not None
        and own.source != "bound"
        and (own.lower > whole.upper or together < whole.lower),
    }
    if fit is not None and fit.gauge is not None:
        # the oldest position is the one whose reading will be looked at hardest
        q10, q50, q90 = fit.reading([float(age.max())], [0.1, 0.5, 0.9])[:, 0]
        row |= {"reading_q10": float(q10), "reading_q50": float(q50), "reading_q90": float(q90)}
    return row


def part_to_pull(
    family: str, components: pd.DataFrame, part_uses: pd.DataFrame, parts: pd.DataFrame
) -> dict[str, tuple[str, float, str]]:
    """component -> (part, pieces per position, other parts it takes too).

    Of alternatives the one with the largest share; of parts that are always used the dearest is named and the rest
    listed; a component that can't be bought alone shows the assembly it comes in; a replaced part shows its successor.
    """
    uses = part_uses.loc[part_uses["family"] == family]
    own = components.loc[components["family"] == family]
    cost = dict(zip(parts["part"], parts["unit_cost"].fillna(0.0), strict=True))
    successor = {p: r for p, r in zip(parts["part"], parts["replaced_by"], strict=True) if isinstance(r, str) and r}

    def last(part: str) -> str:
        passed = {part}
        while part in successor and successor[part] not in passed:
            part = successor[part]
            passed.add(part)
        return part

    direct: dict[str, tuple[str, float, str]] = {}
    for component, rows in uses.groupby("component", sort=False):
        choice = rows["choice"].fillna("").astype(str)
        kept: list[tuple[str, float]] = []
        for name, group in rows.groupby(choice, sort=False):
            chosen = group if name == "" else group.loc[[group["share"].fillna(0.0).astype(float).idxmax()]]
            kept += [(str(p), float(q)) for p, q in zip(chosen["part"], chosen["quantity"].fillna(1.0), strict=True)]
        kept.sort(key=lambda use: -float(cost.get(use[0], 0.0)))
        main, quantity = kept[0]
        direct[str(component)] = (last(main), quantity, ", ".join(last(p) for p, _ in kept[1:]))
    inside = {
        str(c): str(s) for c, s in zip(own["component"], own["supplied_in"], strict=True) if isinstance(s, str) and s
    }
    for component in own["component"].astype(str):
        holder, passed = component, {component}
        while holder not in direct and holder in inside and inside[holder] not in passed:
            holder = inside[holder]
            passed.add(holder)
        if holder in direct:
            direct.setdefault(component, direct[holder])
    return direct


def _causes(
    family: str, mileage: float, complaint: str | None, complaints: pd.DataFrame | None
) -> dict[str, tuple[float, float]]:
    """component -> (share as cause of this complaint in the mileage's band, count) out of the `complaint_causes`
    table."""
    if not complaint or complaints is None or complaints.empty:
        return {}
    rows = causes_of(complaints, family, complaint, mileage)
    return {str(r.component): (float(r.share), float(r.count)) for r in rows_of(rows) if r.component}
