"""How old what was already in a unit may be, where the shop never knew: an age at first sight, learnt from the fleet.

A position whose age is unknown has run at least the distance since the unit was first seen, and was some age before
that. Ages at first sight are taken as even between 0 and a limit of the family's own, whose chance is learnt from what
such positions did since (empirical Bayes; the left-truncated likelihood of Klein & Moeschberger 2003, *Survival
Analysis*, section 3.5, mixed over the unknown entry) and from the ages of used units that were known when first seen.
What was in a rebuilt unit was good at first sight: a bench passes on nothing that it found bad (common practice, no
source). In a used one it may have been bad already, where that shows only at a teardown.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from rebuildstats.demand.hazards import Hazard
from rebuildstats.demand.sums import Array

if TYPE_CHECKING:
    from rebuildstats.life_records.records import Records

LIMITS = 2.0 ** (-np.arange(10) / 2.0)  # shares of the oldest age seen that ages at first sight may reach
_WITHIN = (np.arange(12) + 0.5) / 12.0  # places between 0 and the limit
_SPREAD = 0.7  # sd of the log of the limit about twice the mean age of known ones
_PLACE = ["unit", "component", "position"]
_AGES = ["age", "age_lower", "age_upper"]
_NODES = 48
_LEAST = 1e-300  # a chance below this is taken as this
_REACH = 0.8  # of the oldest age that is tabulated: what is filled in has still to run ahead


def with_ages_at_first_sight(
    records: Records, components: pd.DataFrame, hazards: Mapping[tuple[str, str], Hazard], oldest: Mapping[str, float]
) -> Records:
    """The records with the unknown ages of what was there at first sight filled in by their expected values; among the
    positions of today `age_lower` and `age_upper` hold their 90 % interval (NaN where the age was known).

    components: family, component, shows. hazards: of their lives. oldest: family -> the limit that no age at first
    sight exceeds. Ages stay unknown where the distance since first sight is unknown too.
    """
    first = records.unit_lives[records.unit_lives["number"] == 1].set_index("unit")["opened_mileage"]
    rebuilt = set(records.units.loc[records.units["origin"] == "rebuilt", "unit"])
    outcomes, positions = records.outcomes.copy(), records.positions.copy()
    outcomes["run"], outcomes["good_run"], last_good = _run_at_teardowns(outcomes, first, rebuilt)
    for frame in (outcomes, positions):
        frame["age_lower"], frame["age_upper"] = np.nan, np.nan
    now = records.units.set_index("unit")["mileage"] - first
    unknown = positions["age"].isna() & positions["first_life"].astype(bool)
    positions["run"] = np.where(unknown, now.reindex(positions["unit"]).to_numpy(dtype=float), np.nan)
    positions = positions.join(last_good, on=_PLACE) if len(last_good) else positions.assign(good_run=np.nan)
    never = positions["good_run"].isna() & positions["unit"].isin(rebuilt)
    positions["good_run"] = positions["good_run"].mask(never, 0.0)
    shows = dict(zip(zip(components["family"], components["component"], strict=True), components["shows"], strict=True))
    for family in sorted(set(components["family"].astype(str)) & set(oldest)):
        seen, today = outcomes[outcomes["family"] == family], positions[positions["family"] == family]
        if not (np.isfinite(seen["run"]).any() or np.isfinite(today["run"]).any()):
            continue
        names = [c for f, c in hazards if f == family]
        in_service = [c for c in names if shows.get((family, c)) == "in_service"]
        weights = _limits(seen, today, in_service, family, hazards, oldest[family], _known(records, family))
        for name in names:
            life, alive = hazards[family, name], name in in_service
            for frame, rows in ((outcomes, seen), (positions, today)):
                own = rows[(rows["component"] == name) & np.isfinite(rows["run"])]
                if len(own):
                    good = own["run"] if alive else own["good_run"]
                    before = _before(life, weights, oldest[family], good.to_numpy(float))
                    before = np.minimum(before, np.maximum(_REACH * oldest[family] - own["run"].to_numpy(), 0.0))
                    frame.loc[own.index, _AGES] = (own["run"].to_numpy() + before).T
                    frame.loc[own.index, "good_age"] = np.where(np.isnan(good), 0.0, good + before[0])
    spare = ["run", "good_run"]
    outcomes = outcomes.drop(columns=_AGES[1:])
    return records.with_ages(outcomes.drop(columns=spare), positions.drop(columns=spare))


def _run_at_teardowns(
    outcomes: pd.DataFrame, first: pd.Series[float], rebuilt: set[str]
) -> tuple[pd.Series[float], pd.Series[float], pd.Series[float]]:
    """Distance since first sight of what was there then and is of unknown age: at each teardown, at the last look
    before it that found it good (a rebuilt unit's bench looked at first sight), and by place at the last such look of
    all; NaN elsewhere."""
    order = outcomes.assign(new=outcomes["renewed"].fillna(False).astype(int))
    order = order.sort_values(["opened_on", "job"], kind="stable")
    place = order.groupby(_PLACE)
    unknown = order["age"].isna() & (place["new"].cumsum() == order["new"])
    order["run"] = (
        (order["mileage"] - first.reindex(order["unit"]).to_numpy(dtype=float)).where(unknown).clip(lower=0.0)
    )
    order["good_run"] = order["run"].where(order["verdict"] == "ok")
    so_far = order.groupby(_PLACE)["good_run"].cummax().groupby([order[n] for n in _PLACE]).ffill()
    before = so_far.groupby([order[n] for n in _PLACE]).shift()
    before = before.mask(before.isna() & order["unit"].isin(rebuilt), 0.0).where(unknown)
    return order["run"], before, order.groupby(_PLACE)["good_run"].max()


def _known(records: Records, family: str) -> Array:
    """Known ages at first sight of a family's units that were not new."""
    own = records.unit_lives[records.unit_lives["family"] == family]
    return own.loc[(own["number"] == 1) & (own["entry_age"] > 0), "entry_age"].to_numpy(float)


def _limits(
    seen: pd.DataFrame,
    today: pd.DataFrame,
    in_service: list[str],
    family: str,
    hazards: Mapping[tuple[str, str], Hazard],
    oldest: float,
    known: Array,
) -> Array:
    """Chance of each limit (of LIMITS x oldest), from what the family's positions of unknown age did since."""
    middle = 2.0 * float(known.mean()) if known.size else oldest / 4.0
    spread = _SPREAD if known.size else 1.5
    log_chance = -0.5 * (np.log(LIMITS * oldest / middle) / spread) ** 2
    failed = (seen["verdict"] == "fail") & (seen["role"].fillna("") != "consequence")
    ends = seen.assign(failed=failed)[failed | seen["renewed"].fillna(False).astype(bool)]
    columns = [*_PLACE, "run", "failed"]
    each = pd.concat([ends[columns], today.assign(failed=False)[columns]], ignore_index=True)
    each = each[np.isfinite(each["run"])].drop_duplicates(_PLACE)
    fresh = np.isfinite(seen["run"]) & ~seen["failed_before"].astype(bool) & seen["verdict"].isin(["ok", "fail"])
    looks = seen.assign(failed=failed)[fresh]
    begin = (LIMITS[:, None] * _WITHIN * oldest)[:, :, None]
    for (_, name), life in ((key, life) for key, life in hazards.items() if key[0] == family):
        if name in in_service:
            log_chance += _of_lives(life, begin, each[each["component"] == name])
        else:
            log_chance += _of_looks(life, begin, looks[looks["component"] == name])
    chance = np.exp(log_chance - log_chance.max())
    return np.asarray(chance / chance.sum())


def _of_lives(life: Hazard, begin: Array, own: pd.DataFrame) -> Array:
    """Log chance, by limit, of what positions that show in service did. begin: ages at first sight (limits, places, 1);
    own: a row is a position, `run` to its end or to today, `failed` then or not."""
    run = own["run"].to_numpy(float)
    gone = life.cumulative(begin + run) - life.cumulative(begin)
    rate = np.where(own["failed"].to_numpy(bool), life.density(begin + run), 1.0)
    return np.asarray(np.log(np.maximum((rate * np.exp(-gone)).mean(axis=1), _LEAST)).sum(axis=1))


def _of_looks(life: Hazard, begin: Array, own: pd.DataFrame) -> Array:
    """The same of what was found of positions that show at a teardown only. own: a row is a look at
    what was not found failed before: good after `good_run` (NaN: maybe never), `failed` or still good after `run`."""
    good = own["good_run"].to_numpy(float)
    start = np.where(np.isnan(good), 0.0, life.cumulative(begin + np.nan_to_num(good)))
    gone = np.maximum(life.cumulative(begin + own["run"].to_numpy(float)) - start, 1e-9)
    found = np.where(own["failed"].to_numpy(bool), np.log(-np.expm1(-gone)), -gone)
    place = own.groupby(_PLACE, sort=False).ngroup().to_numpy()
    each = np.zeros((place.max(initial=-1) + 1, *found.shape[:2]))
    np.add.at(each, place, np.moveaxis(found, 2, 0))
    return np.asarray(np.log(np.maximum(np.exp(each).mean(axis=2), _LEAST)).sum(axis=0))


def _before(life: Hazard, weights: Array, oldest: float, good: Array) -> Array:
    """Age at first sight of what was good after another `good` (n,) of distance (NaN: never looked at): expected, and
    its 5 % and 95 % quantiles, (3, n)."""
    at = np.linspace(0.0, max(float(np.nan_to_num(good).max()), 1e-9), _NODES)
    begin = (LIMITS[:, None] * _WITHIN * oldest)[:, :, None]
    chance = np.repeat(weights[:, None, None] * np.ones_like(_WITHIN)[:, None], _NODES + 1, axis=2)
    chance[:, :, 1:] *= np.exp(life.cumulative(begin) - life.cumulative(begin + at))
    order = np.argsort(begin.ravel(), kind="stable")
    age, chance = begin.ravel()[order], chance.reshape(order.size, -1)[order]
    chance /= np.maximum(chance.sum(axis=0), _LEAST)
    up_to = chance.cumsum(axis=0)
    told = np.stack(
        [age @ chance, *(age[(up_to < level).sum(axis=0).clip(max=age.size - 1)] for level in (0.05, 0.95))]
    )
    return np.stack([np.where(np.isnan(good), row[0], np.interp(good, at, row[1:])) for row in told])
