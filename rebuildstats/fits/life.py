"""Fitted lives of components and units: from the lives table to estimates with honest intervals.

For every component four distributions are fitted by maximum likelihood (the rivals, with AICc), and their posteriors
under the prior that its group shares are mixed by how well each does. With many events that is the likelihood's answer;
with few the group's experience steadies it, and `shrinkage` says how much; with none it is the group's experience above
the bound that the exposure gives, or, without a group to learn from, the bound alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import DISTRIBUTIONS, Distribution, Floats
from rebuildstats.fits.draws import Cloud
from rebuildstats.fits.exchange import Steps, alone, meet, total
from rebuildstats.fits.intervals import zero_failure_scale
from rebuildstats.fits.newton import Modes, Prior, find_modes, no_prior
from rebuildstats.fits.pooling import Labels, Pooled, pool, weak_prior_of_fleet
from rebuildstats.fits.prepare import Name, Prepared, prepare
from rebuildstats.fits.profiles import profile_age
from rebuildstats.fits.results import CannotSay, LifeFit, LifeFits, Rival, curve_through
from rebuildstats.fits.signals import early_life, verdict_doubt

# A shared prior is called learnt when this many components of the fleet with events stand behind it.
_COMPONENTS_TO_SHARE: Final = 3
_MANY_EVENTS: Final = 10
_POINTS: Final = 1000
_Z90: Final = 1.6448536269514722
_BOUND_SHAPE: Final = 2.0


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
    return alone(fit_piece(lives, components, seed=seed))


def fit_piece(lives: pd.DataFrame, components: pd.DataFrame, *, seed: int = 0) -> Steps[LifeFits]:
    """The same for the families of one piece of a fleet."""
    listed = components.reindex(columns=["family", "component", "group"]).drop_duplicates()
    extra = lives[["family", "component"]].drop_duplicates()
    keys = pd.concat([listed, extra]).drop_duplicates(["family", "component"]).reset_index(drop=True)
    groups = keys["group"].astype("str").fillna("").to_numpy(dtype=object)
    names: list[Name] = list(zip(keys["family"], keys["component"], strict=True))
    fits = yield from _fit(lives, names, groups, seed)
    yield from meet()
    return fits


def fit_unit_lives(unit_lives: pd.DataFrame, *, seed: int = 0) -> LifeFits:
    """Fit the life from rebuild to failure of every family's units; component None, the families share one prior."""
    return alone(fit_units_of_piece(unit_lives, seed=seed))


def fit_units_of_piece(unit_lives: pd.DataFrame, *, seed: int = 0) -> Steps[LifeFits]:
    """The same for the families of one piece of a fleet."""
    families = sorted(unit_lives["family"].dropna().unique())
    frame = unit_lives.assign(component=None)
    names: list[Name] = [(family, None) for family in families]
    fits = yield from _fit(frame, names, np.full(len(names), "", dtype=object), seed)
    yield from meet()
    return fits


def _fit(frame: pd.DataFrame, names: list[Name], group: Labels, seed: int) -> Steps[LifeFits]:
    ready = yield from prepare(frame, names)
    nothing = "no life of it is known"
    if not ready.has.any():
        return LifeFits({name: CannotSay(*name, nothing) for name in names})
    pooled = yield from pool(DISTRIBUTIONS, ready.laid, group[ready.has])
    plain = {d.name: find_modes(d, ready.laid, no_prior(ready.laid.components)) for d in DISTRIBUTIONS}
    ends = {d.name: _profiles(d, ready, plain[d.name]) for d in DISTRIBUTIONS}
    variances = {d.name: _b10_variances(d, plain[d.name]) for d in DISTRIBUTIONS}
    exact = np.bincount(ready.laid.exact.of, ready.laid.exact.weight, minlength=ready.laid.components)
    shared = (yield from total(int((ready.events > 0).sum()))) >= _COMPONENTS_TO_SHARE
    fits: dict[Name, LifeFit | CannotSay] = {}
    place = np.cumsum(ready.has) - 1
    for i, name in enumerate(names):
        j = int(place[i])
        if not ready.has[i]:
            fits[name] = CannotSay(*name, nothing)
        elif ready.events[j] == 0 and not shared:
            fits[name] = _bound(name, ready, j)
        else:
            rivals = _rivals(j, pooled, plain, ends, variances, float(exact[j]), ready)
            fits[name] = _settle(name, ready, j, pooled, rivals, shared, seed)
    prior = yield from weak_prior_of_fleet(ready.laid)
    return LifeFits(_with_doubts(fits, names, ready, prior))


def _with_doubts(
    fits: dict[Name, LifeFit | CannotSay], names: list[Name], ready: Prepared, prior: Prior
) -> dict[Name, LifeFit | CannotSay]:
    """The fits with their early-life signal and their sensitivity to wrong verdicts."""
    here = [fits[name] for name, has in zip(names, ready.has, strict=True) if has]
    fitted = np.array([isinstance(fit, LifeFit) for fit in here])
    curves = [(f.distribution, f.location, f.sigma) if isinstance(f, LifeFit) else ("weibull", 0.0, 1.0) for f in here]
    kinds, location, sigma = (np.array(x) for x in zip(*curves, strict=True))
    shifted = ready.raw.shifted(ready.found.shift)
    early = early_life(shifted, kinds, location - np.log(ready.scale), sigma)
    doubts = verdict_doubt(ready.laid, prior)
    for fit, is_fit, signal, doubt in zip(here, fitted, early, doubts, strict=True):
        if is_fit and isinstance(fit, LifeFit):
            words: tuple[str, ...] = ()
            if signal.signal:
                counts = f"{signal.observed:.1f} failures against {signal.expected:.1f} expected"
                words = (f"early-life signal: {counts} in the first tenth of life (p = {signal.p_value:.2g})",)
            name = (fit.family, fit.component)
            fits[name] = replace(fit, early_life=signal, verdicts=doubt, notes=(*fit.notes, *words))
    return fits


def _profiles(dist: Distribution, ready: Prepared, modes: Modes) -> tuple[Floats, Floats]:
    """Profile-likelihood ends of log B10 where events are few; NaN where Wald's interval serves."""
    few = (ready.events > 0) & (ready.events < _MANY_EVENTS)
    low, high = np.full(len(few), np.nan), np.full(len(few), np.nan)
    if few.any():
        some = Modes(*(getattr(modes, name)[few] for name in Modes.__slots__))
        low[few], high[few] = profile_age(dist, ready.laid.select(few), some, 0.1)
    return low, high


def _b10_variances(dist: Distribution, modes: Modes) -> Floats:
    """Each component's variance of log B10, from the curvature at its mode (delta method)."""
    sigma, free = np.exp(modes.parameters[:, 1]), dist.parameters
    gradient = np.column_stack([np.ones(len(sigma)), sigma * dist.z_at(0.1)])[:, :free]
    curvature = np.where(modes.settled[:, None, None], modes.curvature, np.eye(2))  # elsewhere it is not asked
    inverse = np.linalg.pinv(curvature[:, :free, :free])
    return np.asarray(np.einsum("mi,mij,mj->m", gradient, inverse, gradient))


def _rivals(
    j: int,
    pooled: Pooled,
    plain: dict[str, Modes],
    ends: dict[str, tuple[Floats, Floats]],
    variances: dict[str, Floats],
    exact: float,
    ready: Prepared,
) -> tuple[Rival, ...]:
    """Every distribution's own fit of one component; exact: the weight of its lives that ended at a known age."""
    lives, scale = float(ready.counts[j]), ready.scale
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
        variance = float(variances[dist.name][j]) if modes.settled[j] else np.inf
        reach = np.exp(_Z90 * np.sqrt(variance)) if 0 <= variance < 1e4 else np.inf
        low, high = float(b10 / reach), float(b10 * reach)
        by_profile = not np.isnan(ends[dist.name][0][j])
        if by_profile:
            low, high = (float(scale * np.exp(side[j])) for side in ends[dist.name])
        out.append(
            Rival(
                dist.name,
                *dist.to_scale_shape(location, sigma),
                value,
                float(aicc),
                float(b10),
                low,
                high,
                float(np.exp(location + sigma * dist.z_at(0.5))),
                bool(modes.settled[j]),
                float(pooled.shares[j, column]),
                "profile" if by_profile else "wald",
            )
        )
    return tuple(out)


def _settle(
    name: Name, ready: Prepared, j: int, pooled: Pooled, rivals: tuple[Rival, ...], shared: bool, seed: int
) -> LifeFit:
    """The answer for one component out of the mixture of its posteriors."""
    cloud = _cloud(j, pooled, ready.scale)
    effects, events = ready.found.effects[j], float(ready.events[j])
    draws = cloud.draws(_POINTS, seed, effects)
    quantiles = {}
    logs = {}
    for chance in (0.1, 0.5):
        log_age = np.log(draws.age_at(chance))
        logs[chance] = log_age
        low, high = np.quantile(log_age, [0.05, 0.95])
        quantiles[chance] = (float(np.exp(low)), float(np.exp(high)))
    chosen, note = _choose(rivals, events, shared)
    b10, median = (float(np.exp(np.median(logs[chance]))) for chance in (0.1, 0.5))
    plain = next(r for r in rivals if r.distribution == chosen)
    if not shared and effects.none and events >= _MANY_EVENTS and plain.settled:
        b10, median = plain.b10, plain.median
    scale_location, scale_sigma = curve_through(chosen, b10, median)
    # the curve of the mix is what is shown; the curve of one combination of levels is what chances are computed from
    location, sigma = scale_location, scale_sigma
    if not effects.none:
        location, sigma = curve_through(chosen, *(float(np.median(draws.alone_at(p))) for p in (0.1, 0.5)))
    if chosen == "exponential":
        b10 = float(np.exp(scale_location) * -np.log(0.9))
    dist = next(d for d in pooled.distributions if d.name == chosen)
    said = () if events else (_said_of_none(ready, j, pooled),)
    return LifeFit(
        name[0],
        name[1],
        chosen,
        *dist.to_scale_shape(scale_location, scale_sigma),
        b10,
        *quantiles[0.1],
        median,
        *quantiles[0.5],
        events,
        round(float(ready.counts[j])),
        float(ready.exposure[j]),
        _shrinkage(j, pooled, float(logs[0.1].var())) if shared else 0.0,
        shared,
        location,
        sigma,
        cloud,
        effects,
        rivals,
        (*said, *ready.notes[j], *((note,) if note else ())),
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


def _bound(name: Name, ready: Prepared, j: int) -> CannotSay:
    """No failure and no group to learn from: the bound that the exposure gives at a shape of 2."""
    lives = round(float(ready.counts[j]))
    b10, median = _exposure_bounds(ready, j, _BOUND_SHAPE)
    return CannotSay(
        name[0],
        name[1],
        f"no failure in {lives} lives: the bound assumes a Weibull shape of {_BOUND_SHAPE:g}",
        b10_lower=b10,
        median_lower=median,
        lives=lives,
        exposure=float(ready.exposure[j]),
    )


def _exposure_bounds(ready: Prepared, j: int, shape: float) -> tuple[float, float]:
    """The 95 % lower bounds of B10 and median that lives without a failure give at a shape (Weibayes: Nelson 1985)."""
    running = ready.raw.running
    ages, weights = np.exp(running.at[running.of == j]) * ready.scale, running.weight[running.of == j]
    eta = zero_failure_scale(ages, shape, weight=weights, confidence=0.95)
    return float(eta * (-np.log(0.9)) ** (1 / shape)), float(eta * np.log(2.0) ** (1 / shape))


def _said_of_none(ready: Prepared, j: int, pooled: Pooled) -> str:
    """Of a component that never failed, how much of its answer its own lives give: a bound, at its group's shape."""
    shape = float(np.exp(-pooled.priors["weibull"].mean[j, 1]))
    bound, _ = _exposure_bounds(ready, j, shape)
    lives = round(float(ready.counts[j]))
    return (
        f"no failure in {lives} lives: they alone say that B10 is {bound:,.0f} or more (95 % sure, at its group's "
        f"Weibull shape of {shape:.1f}); the rest of the answer is its group's experience"
    )
