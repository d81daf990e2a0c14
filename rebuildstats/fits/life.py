"""Fitted lives of components and units: from the lives table to estimates with honest intervals.

For every component four distributions are fitted by maximum likelihood (the rivals, with AICc), and their posteriors
under the prior that its group shares are mixed by how well each does. With many events that is the likelihood's answer;
with few the group's experience steadies it, and `shrinkage` says how much; with none it is the group's experience above
the bound that the exposure gives, or, without a group to learn from, the bound alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from rebuildstats.fits.covariates import Found, find_effects, text_levels
from rebuildstats.fits.distributions import DISTRIBUTIONS, Distribution, Floats
from rebuildstats.fits.draws import Cloud
from rebuildstats.fits.early import Early, find_early
from rebuildstats.fits.intervals import zero_failure_scale
from rebuildstats.fits.likelihood import Ints, Lives, grouped, lay_out
from rebuildstats.fits.newton import Modes, find_modes, no_prior
from rebuildstats.fits.pooling import Pooled, pool, weak_prior
from rebuildstats.fits.results import CannotSay, LifeFit, LifeFits, Rival, curve_through
from rebuildstats.fits.robust import variance_inflation

# A shared prior is called learnt when this many components of the fleet with events stand behind it.
_COMPONENTS_TO_SHARE: Final = 3
_MANY_EVENTS: Final = 10
_POINTS: Final = 1000
_Z90: Final = 1.6448536269514722
_BOUND_SHAPE: Final = 2.0


Name = tuple[str, str | None]


class Known(NamedTuple):
    """How much of a component is known: (weighted) failures, lives, distance lived under our eyes."""

    events: float
    lives: int
    exposure: float


def fit_lives(lives: pd.DataFrame, components: pd.DataFrame, *, seed: int = 0) -> LifeFits:
    """Fit the life of every component of every family.

    Parameters
    ----------
    lives : DataFrame
        Columns of the `lives` contract; `weight` optional (how often the row stands).
    components : DataFrame
        Columns family, component, group: every component, also those without a life.
    seed : int
        Seed of the draws behind the intervals.

    Returns
    -------
    LifeFits
        One fit or `CannotSay` per family and component, in the order of `components`, then those only in `lives`.
    """
    listed = components.reindex(columns=["family", "component", "group"]).drop_duplicates()
    extra = lives[["family", "component"]].drop_duplicates()
    keys = pd.concat([listed, extra]).drop_duplicates(["family", "component"]).reset_index(drop=True)
    groups = pd.factorize(keys["group"].astype("str").fillna("").to_numpy(dtype=object))[0]
    names: list[Name] = list(zip(keys["family"], keys["component"], strict=True))
    return _fit(lives, names, groups.astype(np.int64), seed)


def fit_unit_lives(unit_lives: pd.DataFrame, *, seed: int = 0) -> LifeFits:
    """Fit the life from rebuild to failure of every family's units; component None, the families share one prior."""
    families = sorted(unit_lives["family"].dropna().unique())
    frame = unit_lives.assign(component=None)
    names: list[Name] = [(family, None) for family in families]
    return _fit(frame, names, np.zeros(len(names), dtype=np.int64), seed)


def _fit(frame: pd.DataFrame, names: list[Name], group: Ints, seed: int) -> LifeFits:
    table, scale = _table(frame, names)
    laid = _lay(table, len(names), scale)
    counts, exposures, events = _counts(laid, scale)
    has = counts > 0
    if not has.any():
        return LifeFits({name: CannotSay(*name, "no life of it is known") for name in names})
    place = np.cumsum(has) - 1
    table = table[has[table["of"].to_numpy()]].reset_index(drop=True)
    table["of"] = place[table["of"].to_numpy()]
    laid = _lay(table, int(has.sum()), scale)
    found = find_effects(table, laid, weak_prior(laid))
    early = find_early(laid.shifted(found.shift), weak_prior(laid))
    laid = early.wear(laid.shifted(found.shift))
    less = _inflation(table, laid)
    found = _named(found, early, less, scale)
    laid = laid.weighted(1.0 / less)
    pooled = pool(DISTRIBUTIONS, laid, np.unique(group[has], return_inverse=True)[1].astype(np.int64))
    plain = {d.name: _plain(d, laid) for d in DISTRIBUTIONS}
    shared = int((events > 0).sum()) >= _COMPONENTS_TO_SHARE
    fits: dict[Name, LifeFit | CannotSay] = {}
    for i, name in enumerate(names):
        j = int(place[i])
        known = Known(float(events[i]), round(float(counts[i])), float(exposures[i]))
        if not has[i]:
            fits[name] = CannotSay(*name, "no life of it is known")
        elif known.events == 0 and not shared:
            fits[name] = _bound(name, laid, j, known, scale)
        else:
            rivals = _rivals(j, pooled, plain, laid, float(counts[i]), scale)
            fits[name] = _settle(name, j, pooled, rivals, known, shared, scale, seed, found)
    return LifeFits(fits)


def _table(frame: pd.DataFrame, names: list[Name]) -> tuple[pd.DataFrame, float]:
    """Lives as numbers, identical ones as one row with a weight: of, the ages, covariates, weight, exposure, events."""
    number = {name: i for i, name in enumerate(names)}
    components = [None if pd.isna(c) else str(c) for c in frame["component"]]
    of = np.array([number.get(key, -1) for key in zip(frame["family"], components, strict=True)], dtype=np.int64)
    ages = {c: frame[c].to_numpy(dtype=float, na_value=np.nan) for c in ("entry_age", "lower_age", "upper_age")}
    covariates = text_levels(frame).set_axis(range(len(frame)))
    weight = frame["weight"].to_numpy(dtype=float) if "weight" in frame.columns else np.ones(len(frame))
    table = pd.concat([pd.DataFrame(ages | {"of": of, "weight": weight}), covariates], axis=1)[of >= 0]
    if "unit" in frame.columns:
        table["unit"] = frame["unit"].astype("str").fillna("").to_numpy(dtype=object)[of >= 0]
    table = grouped(table, [c for c in table.columns if c != "weight"])
    failed = np.isfinite(table["upper_age"])
    middle = np.where(failed, 0.5 * (table["lower_age"] + table["upper_age"]), table["lower_age"])
    table["exposure"] = table["weight"] * np.maximum(middle - table["entry_age"].fillna(0.0), 0.0)
    table["events"] = table["weight"] * failed
    return table, _typical_age(table)


def _inflation(table: pd.DataFrame, laid: Lives) -> Floats:
    """How much the variance of log B10 grows because lives of one unit are alike; 1 where units aren't known."""
    if "unit" not in table.columns:
        return np.ones(laid.components)
    dists = [d for d in DISTRIBUTIONS if not d.sigma_is_one]
    prior = weak_prior(laid)
    modes = [find_modes(d, laid, prior) for d in dists]
    best = np.stack([x.log_likelihood for x in modes]).argmax(axis=0)
    cluster = pd.factorize(table["unit"].to_numpy(dtype=object))[0].astype(np.int64)
    of = table["of"].to_numpy(dtype=np.int64)
    ratios = np.stack([variance_inflation(d, laid, x, of, cluster) for d, x in zip(dists, modes, strict=True)])
    return np.asarray(ratios[best, np.arange(laid.components)])


def _named(found: Found, early: Early, less: Floats, scale: float) -> Found:
    """Beside the covariates, what else was used, in words."""
    named = []
    for j, words in enumerate(found.named):
        more = []
        if early.used[j]:
            age = np.exp(early.mean_age[j]) * scale
            share, count = f"{100 * early.share[j]:.1f} % of lives", f"about {early.count[j]:.0f} failures"
            more.append(f"early failures set apart from wear: {share}, {count} at a mean age of {age:,.0f}")
        if less[j] > 1.0:
            more.append(f"lives of one unit are alike: variance taken {less[j]:.1f} times as large")
        named.append((*words, *more))
    return replace(found, named=tuple(named))


def _lay(table: pd.DataFrame, components: int, scale: float) -> Lives:
    of, entry, lower, upper, weight = (
        table[c].to_numpy() for c in ("of", "entry_age", "lower_age", "upper_age", "weight")
    )
    return lay_out(of, entry, lower, upper, weight, components, scale=scale)


def _typical_age(table: pd.DataFrame) -> float:
    """The middle of the ages seen, by which ages are divided inside."""
    top = table["upper_age"].where(np.isfinite(table["upper_age"]), table["lower_age"]).to_numpy()
    top = top[np.isfinite(top) & (top > 0)]
    return float(np.median(top)) if len(top) else 1.0


def _counts(laid: Lives, scale: float) -> tuple[Floats, Floats, Floats]:
    """Per component: lives, distance lived under our eyes (a failure between looks counts to its middle), events."""
    lives, exposure = np.zeros(laid.components), np.zeros(laid.components)
    for part, age, sign in (
        (laid.exact, np.exp(laid.exact.at), 1.0),
        (laid.between, 0.5 * (np.exp(laid.between.at) + np.exp(laid.between.until)), 1.0),
        (laid.running, np.exp(laid.running.at), 1.0),
        (laid.entered, np.exp(laid.entered.at), -1.0),
    ):
        exposure += sign * np.bincount(part.of, part.weight * age, minlength=laid.components)
        if sign > 0:
            lives += np.bincount(part.of, part.weight, minlength=laid.components)
    return lives, exposure * scale, laid.events()


def _plain(dist: Distribution, laid: Lives) -> Modes:
    return find_modes(dist, laid, no_prior(laid.components))


def _rivals(
    j: int, pooled: Pooled, plain: dict[str, Modes], laid: Lives, lives: float, scale: float
) -> tuple[Rival, ...]:
    exact = laid.exact.weight[laid.exact.of == j].sum()
    out = []
    for column, dist in enumerate(pooled.distributions):
        modes = plain[dist.name]
        location, log_sigma = modes.parameters[j]
        location += np.log(scale)
        sigma = np.exp(log_sigma)
        k = dist.parameters
        value = float(modes.log_likelihood[j] - exact * np.log(scale))
        aicc = 2 * k - 2 * value + (2 * k * (k + 1) / (lives - k - 1) if lives > k + 1 else np.inf)
        z = dist.z_at(0.1)
        b10 = np.exp(location + sigma * z)
        gradient = np.array([1.0]) if dist.sigma_is_one else np.array([1.0, sigma * z])
        curvature = modes.curvature[j][: len(gradient), : len(gradient)]
        variance = float(gradient @ np.linalg.pinv(curvature) @ gradient) if modes.settled[j] else np.inf
        reach = np.exp(_Z90 * np.sqrt(variance)) if 0 <= variance < 1e4 else np.inf
        out.append(
            Rival(
                dist.name,
                *dist.to_scale_shape(location, sigma),
                value,
                float(aicc),
                float(b10),
                float(b10 / reach),
                float(b10 * reach),
                float(np.exp(location + sigma * dist.z_at(0.5))),
                bool(modes.settled[j]),
                float(pooled.shares[j, column]),
            )
        )
    return tuple(out)


def _settle(
    name: Name,
    j: int,
    pooled: Pooled,
    rivals: tuple[Rival, ...],
    known: Known,
    shared: bool,
    scale: float,
    seed: int,
    found: Found,
) -> LifeFit:
    """The answer for one component out of the mixture of its posteriors."""
    cloud = _cloud(j, pooled, scale)
    effects = found.effects[j]
    draws = cloud.draws(_POINTS, seed, effects)
    quantiles = {}
    logs = {}
    for chance in (0.1, 0.5):
        log_age = np.log(draws.age_at(chance))
        logs[chance] = log_age
        low, high = np.quantile(log_age, [0.05, 0.95])
        quantiles[chance] = (float(np.exp(low)), float(np.exp(high)))
    chosen, note = _choose(rivals, known.events, shared)
    b10, median = float(np.exp(logs[0.1].mean())), float(np.exp(logs[0.5].mean()))
    plain = next(r for r in rivals if r.distribution == chosen)
    if not shared and effects.none and known.events >= _MANY_EVENTS and plain.settled:
        b10, median = plain.b10, plain.median
    scale_location, scale_sigma = curve_through(chosen, b10, median)
    # the curve of the mix is what is shown; the curve of one combination of levels is what chances are computed from
    location, sigma = scale_location, scale_sigma
    if not effects.none:
        location, sigma = curve_through(chosen, *(float(np.exp(np.log(draws.alone_at(p)).mean())) for p in (0.1, 0.5)))
    if chosen == "exponential":
        b10 = float(np.exp(scale_location) * -np.log(0.9))
    dist = next(d for d in pooled.distributions if d.name == chosen)
    return LifeFit(
        name[0],
        name[1],
        chosen,
        *dist.to_scale_shape(scale_location, scale_sigma),
        b10,
        *quantiles[0.1],
        median,
        *quantiles[0.5],
        known.events,
        known.lives,
        known.exposure,
        _shrinkage(j, pooled, float(logs[0.1].var())) if shared else 0.0,
        shared,
        location,
        sigma,
        cloud,
        effects,
        rivals,
        (*found.named[j], *((note,) if note else ())),
    )


def _choose(rivals: tuple[Rival, ...], events: float, shared: bool) -> tuple[str, str]:
    """The distribution to name, and a sentence where AICc alone would have named another.

    By AICc where the component stands alone with events enough; under a shared prior, or with few events, by posterior
    share. The exponential is named only where its share is the largest too: a short history always favours the model
    with one parameter, and its B10 is then far too low.
    """
    likeliest = max(rivals, key=lambda r: r.share)
    sound = sorted((r for r in rivals if r.settled and np.isfinite(r.aicc)), key=lambda r: r.aicc)
    if not sound:
        return likeliest.distribution, ""
    chosen = likeliest
    if not shared and events >= _MANY_EVENTS:
        chosen = next(r for r in [*sound, likeliest] if r.distribution != "exponential" or r is likeliest)
    if chosen.distribution == sound[0].distribution or events < _MANY_EVENTS:
        return chosen.distribution, ""
    return chosen.distribution, f"AICc alone would name the {sound[0].distribution}"


def _cloud(j: int, pooled: Pooled, scale: float) -> Cloud:
    """The mixture of the posteriors of one component as weighted nodes, ages in the store's unit."""
    which, location, log_sigma, weight, cells = [], [], [], [], []
    for column, dist in enumerate(pooled.distributions):
        grid, share = pooled.grids[dist.name], pooled.weights[dist.name][j] * pooled.shares[j, column]
        kept = share > 1e-6
        which.append(np.full(int(kept.sum()), column))
        location.append(grid.nodes[j, kept, 0] + np.log(scale))
        log_sigma.append(grid.nodes[j, kept, 1])
        weight.append(share[kept])
        cells.append(grid.cell[j])
    total = np.concatenate(weight)
    return Cloud(
        tuple(d.name for d in pooled.distributions),
        np.concatenate(which),
        np.concatenate(location),
        np.concatenate(log_sigma),
        total / total.sum(),
        np.stack(cells),
    )


def _shrinkage(j: int, pooled: Pooled, posterior_variance: float) -> float:
    """Posterior variance of log B10 over its prior variance: 0 all data, 1 all prior (Efron & Morris 1973)."""
    variance, mean = np.zeros(len(pooled.distributions)), np.zeros(len(pooled.distributions))
    for column, dist in enumerate(pooled.distributions):
        prior = pooled.priors[dist.name]
        z = 0.0 if dist.sigma_is_one else dist.z_at(0.1)
        covariance = np.linalg.inv(prior.precision[j])
        sigma = np.exp(prior.mean[j, 1])
        gradient = np.array([1.0, sigma * z])
        variance[column] = gradient @ covariance @ gradient
        mean[column] = prior.mean[j, 0] + (1.0 if dist.sigma_is_one else sigma) * dist.z_at(0.1)
    shares = pooled.group_shares[min(j, len(pooled.group_shares) - 1)] if len(pooled.group_shares) == 1 else None
    weights = pooled.shares[j] if shares is None else shares
    prior_variance = float(weights @ variance)
    return float(np.clip(posterior_variance / prior_variance, 0.0, 1.0))


def _bound(name: Name, laid: Lives, j: int, known: Known, scale: float) -> CannotSay:
    """No failure and no group to learn from: the Weibayes bound at a shape of 2 (Nelson 1985)."""
    ages = np.exp(laid.running.at[laid.running.of == j]) * scale
    weights = laid.running.weight[laid.running.of == j]
    eta = zero_failure_scale(ages, _BOUND_SHAPE, weight=weights, confidence=0.95)
    return CannotSay(
        name[0],
        name[1],
        f"no failure in {known.lives} lives: the bound assumes a Weibull shape of {_BOUND_SHAPE:g}",
        b10_lower=float(eta * (-np.log(0.9)) ** (1 / _BOUND_SHAPE)),
        median_lower=float(eta * np.log(2.0) ** (1 / _BOUND_SHAPE)),
        lives=known.lives,
        exposure=known.exposure,
    )
