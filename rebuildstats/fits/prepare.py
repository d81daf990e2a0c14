"""From a lives table to what is fitted: numbers, merged rows, and the corrections that the data themselves ask for.

In this order, each only where the data ask for it, each named in words where it is used: covariates that accelerate
age, early failures beside wear, inspections that miss a failed component, lives of one unit that are alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.covariates import Found, find_effects, text_levels
from rebuildstats.fits.distributions import DISTRIBUTIONS, Floats
from rebuildstats.fits.early import Early, find_early
from rebuildstats.fits.exchange import Steps, alone, median
from rebuildstats.fits.likelihood import LOG_ZERO, Lives, grouped, lay_out
from rebuildstats.fits.missed import Missed, find_missed, none_missed
from rebuildstats.fits.newton import Prior, find_modes
from rebuildstats.fits.pooling import weak_prior_of_fleet
from rebuildstats.fits.robust import Inflation, variance_inflation

Name = tuple[str, str | None]
_WORTH_SAYING = 1.1
_AGES = ("entry_age", "lower_age", "upper_age")


@dataclass(frozen=True, slots=True)
class Prepared:
    """What is fitted of the components that have lives.

    `has` (names): which of the names have lives; the rest is per component that has (m), in the same order. `raw`:
    their lives as written; `laid`: the lives to fit (shifted by covariates, weighted, doubtful ones split); ages
    divided by `scale`. `counts`, `exposure` (distance), `events`: of the lives as written. `notes`: what was used, in
    words.
    """

    has: npt.NDArray[np.bool_]
    scale: float
    raw: Lives
    laid: Lives
    counts: Floats
    exposure: Floats
    events: Floats
    found: Found
    early: Early
    missed: Missed
    inflation: Floats
    notes: tuple[tuple[str, ...], ...]


def prepare(frame: pd.DataFrame, names: list[Name]) -> Steps[Prepared]:
    """Lay out the lives of `names` and find which corrections they ask for.

    Parameters
    ----------
    frame : DataFrame
        Columns of the `lives` contract, of which family, component and the ages are needed; weight, unit, shows,
        good_before and duty_share where known.
    """
    table = numbers(frame, names)
    scale = yield from median(_ages_seen(table))
    counts, exposure, events = _counts(table, len(names))
    has = counts > 0
    table = table[has[table["of"].to_numpy()]].reset_index(drop=True)
    table["of"] = (np.cumsum(has) - 1)[table["of"].to_numpy()]
    raw = lay(table, int(has.sum()), scale)
    if not has.any():
        empty = np.zeros(0)
        nothing = Found(np.zeros((0, 0)), (), empty, ())
        early = Early(has[:0], empty, empty, empty, (empty, empty, empty, empty))
        return Prepared(has, scale, raw, raw, empty, empty, empty, nothing, early, none_missed(raw), empty, ())
    prior = yield from weak_prior_of_fleet(raw)
    found = yield from find_effects(table, raw, prior)
    shifted = raw.shifted(found.shift)
    early = find_early(shifted, prior)
    wearing = early.wear(shifted)
    missed = yield from _missed(table, wearing, found, scale)
    inflation = _inflation(table, missed, (yield from weak_prior_of_fleet(missed.lives)))
    notes = tuple(_words(found, early, missed, inflation, scale, j) for j in range(raw.components))
    laid = missed.lives.weighted(1.0 / inflation.total)
    return Prepared(
        has, scale, raw, laid, counts[has], exposure[has], events[has], found, early, missed, inflation.total, notes
    )


def numbers(frame: pd.DataFrame, names: list[Name]) -> pd.DataFrame:
    """Lives as numbers, equal ones as one row: of (place in `names`), the ages, weight, covariates, unit, looks,
    exposure, events. Lives of other names are left out."""
    number = {name: i for i, name in enumerate(names)}
    components = [None if pd.isna(c) else str(c) for c in frame["component"]]
    of = np.array([number.get(key, -1) for key in zip(frame["family"], components, strict=True)], dtype=np.int64)
    table = pd.DataFrame({c: frame[c].to_numpy(dtype=float, na_value=np.nan) for c in _AGES} | {"of": of})
    if "good_before" in frame.columns and "shows" in frame.columns:
        table["good_before"] = frame["good_before"].to_numpy(dtype=float, na_value=np.nan)
        seen = (frame["shows"] == "at_teardown").to_numpy(dtype=bool, na_value=False)
        table["looked"] = seen & (table["lower_age"] > table["entry_age"].fillna(0.0)) & table["good_before"].notna()
    if "duty_share" in frame.columns and "duty" in frame.columns:
        table["duty_share"] = frame["duty_share"].to_numpy(dtype=float, na_value=1.0)
    if "unit" in frame.columns:
        table["unit"] = frame["unit"].astype("str").fillna("").to_numpy(dtype=object)
    table = pd.concat([table, text_levels(frame).set_axis(table.index)], axis=1)
    table["weight"] = frame["weight"].to_numpy(dtype=float) if "weight" in frame.columns else 1.0
    table = grouped(table[of >= 0], [c for c in table.columns if c != "weight"])
    failed = np.isfinite(table["upper_age"])
    middle = np.where(failed, 0.5 * (table["lower_age"].fillna(0.0) + table["upper_age"]), table["lower_age"])
    table["exposure"] = table["weight"] * np.maximum(np.nan_to_num(middle) - table["entry_age"].fillna(0.0), 0.0)
    table["events"] = table["weight"] * failed
    return table


def typical_age(table: pd.DataFrame) -> float:
    """The middle of the ages seen, by which ages are divided inside."""
    return alone(median(_ages_seen(table)))


def _ages_seen(table: pd.DataFrame) -> Floats:
    top = table["upper_age"].where(np.isfinite(table["upper_age"]), table["lower_age"]).to_numpy()
    return np.asarray(top[np.isfinite(top) & (top > 0)], dtype=np.float64)


def lay(table: pd.DataFrame, components: int, scale: float) -> Lives:
    """The rows of `numbers` laid out by kind."""
    of, entry, lower, upper, weight = (table[c].to_numpy() for c in ("of", *_AGES, "weight"))
    return lay_out(of, entry, lower, upper, weight, components, scale=scale)


def _counts(table: pd.DataFrame, components: int) -> tuple[Floats, Floats, Floats]:
    """Per name: lives that say something, distance lived under our eyes (a failure between looks to its middle),
    events.
    """
    laid = lay(table, components, 1.0)
    says = np.zeros(len(table), dtype=bool)
    for part in laid.parts[:3]:
        says[part.row] = True
    of = table["of"].to_numpy()[says]
    lives, exposure, events = (
        np.bincount(of, table[c].to_numpy()[says], minlength=components).astype(np.float64)
        for c in ("weight", "exposure", "events")
    )
    return lives, exposure, events


def _missed(table: pd.DataFrame, lives: Lives, found: Found, scale: float) -> Steps[Missed]:
    """The chance of a missed fail; none where the looks before the last are not known."""
    if "looked" not in table.columns:
        return none_missed(lives)
    before = table["good_before"].fillna(0.0).to_numpy() / scale
    log_before = np.full(len(before), LOG_ZERO)
    log_before[before > 0] = np.log(before[before > 0])
    prior = yield from weak_prior_of_fleet(lives)
    looked = table["looked"].to_numpy(dtype=bool)
    return (yield from find_missed(lives, prior, log_before - found.shift, looked))


def _inflation(table: pd.DataFrame, missed: Missed, prior: Prior) -> Inflation:
    """How much variances grow because lives of one unit are alike and because some may be read in several ways."""
    dists = [d for d in DISTRIBUTIONS if not d.sigma_is_one]
    laid = missed.lives
    modes = [find_modes(d, laid, prior) for d in dists]
    best = np.stack([x.log_likelihood for x in modes]).argmax(axis=0)
    # where units aren't known every row stands for itself
    names = table["unit"].to_numpy(dtype=object) if "unit" in table.columns else np.arange(len(table))
    cluster = pd.factorize(names)[0].astype(np.int64)
    of, weight = table["of"].to_numpy(dtype=np.int64), table["weight"].to_numpy(dtype=float)
    found = [
        variance_inflation(d, laid, x, of, cluster, weight, missed.sway) for d, x in zip(dists, modes, strict=True)
    ]
    here = np.arange(laid.components)
    total, doubtful = (np.stack([getattr(x, name) for x in found])[best, here] for name in ("total", "doubtful"))
    return Inflation(total if "unit" in table.columns else doubtful, doubtful)


def _words(found: Found, early: Early, missed: Missed, inflation: Inflation, scale: float, j: int) -> tuple[str, ...]:
    """What was used for one component, in words."""
    words = list(found.named[j])
    if early.used[j]:
        age = np.exp(early.mean_age[j]) * scale
        share, count = f"{100 * early.share[j]:.1f} % of lives", f"about {early.count[j]:.0f} failures"
        words.append(f"early failures set apart from wear: {share}, {count} at a mean age of {age:,.0f}")
    if missed.used[j]:
        chance, low, high = (100 * x for x in (missed.chance, missed.lower, missed.upper))
        words.append(
            f"an inspection misses a failed one with chance {chance:.1f} % ({low:.1f} to {high:.1f}, estimated)"
        )
    doubtful, alike = inflation.doubtful[j], inflation.total[j] / inflation.doubtful[j]
    if doubtful > _WORTH_SAYING:
        words.append(f"lives that may be read in two ways widen the interval: variance {doubtful:.1f} times as large")
    if alike > _WORTH_SAYING:
        words.append(f"lives of one unit are alike: variance taken {alike:.1f} times as large")
    return tuple(words)
