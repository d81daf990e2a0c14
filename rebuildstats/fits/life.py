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

from rebuildstats.fits.distributions import DISTRIBUTIONS, Distribution, Floats
from rebuildstats.fits.draws import Cloud, Effects
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
_AT_ONCE: Final = 200
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
    rivals = _rivals(pooled, plain, ends, variances, np.asarray(exact, dtype=np.float64), ready)
    clouds = _clouds(pooled, ready.scale)
    spreads = _spreads(clouds, ready.found.effects, seed)
    of_prior = _prior_variances(pooled)
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
            spread = _Spread(*(float(values[j]) for values in spreads))
            shrinkage = float(np.clip(spread.variance / of_prior[j], 0.0, 1.0)) if shared else 0.0
            fits[name] = _settle(name, ready, j, pooled, rivals[j], clouds[j], spread, shrinkage, shared, seed)
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
    pooled: Pooled,
    plain: dict[str, Modes],
    ends: dict[str, tuple[Floats, Floats]],
    variances: dict[str, Floats],
    exact: Floats,
    ready: Prepared,
) -> list[tuple[Rival, ...]]:
    """Every distribution's own fit of each component; exact (m): the weight of its lives that ended at a known age."""
    lives, log_scale, columns = ready.counts, float(np.log(ready.scale)), []
    for column, dist in enumerate(pooled.distributions):
        modes, k, z = plain[dist.name], dist.parameters, dist.z_at(0.1)
        location, sigma = modes.parameters[:, 0] + log_scale, np.exp(modes.parameters[:, 1])
        value = modes.log_likelihood - exact * log_scale
        enough = lives > k + 1
        aicc = 2 * k - 2 * value + np.where(enough, 2 * k * (k + 1) / np.where(enough, lives - k - 1, 1.0), np.inf)
        b10 = np.exp(location + sigma * z)
        variance = np.where(modes.settled, variances[dist.name], np.inf)
        known = (variance >= 0) & (variance < 1e4)
        reach = np.where(known, np.exp(_Z90 * np.sqrt(np.where(known, variance, 0.0))), np.inf)
        by_profile = ~np.isnan(ends[dist.name][0])
        profile = (ready.scale * np.exp(side) for side in ends[dist.name])
        low, high = (np.where(by_profile, p, w) for p, w in zip(profile, (b10 / reach, b10 * reach), strict=True))
        median = np.exp(location + sigma * dist.z_at(0.5))
        shares, interval = pooled.shares[:, column], np.where(by_profile, "profile", "wald")
        rest = zip(
            *(x.tolist() for x in (value, aicc, b10, low, high, median, modes.settled, shares, interval)), strict=True
        )
        curves = (dist.to_scale_shape(*curve) for curve in zip(location.tolist(), sigma.tolist(), strict=True))
        columns.append([Rival(dist.name, *curve, *more) for curve, more in zip(curves, rest, strict=True)])
    return list(zip(*columns, strict=True))


class _Spread(NamedTuple):
    """Of the draws of log B10 and log median the 5 %, 50 % and 95 % quantiles, and the variance of log B10."""

    b10_low: float
    b10: float
    b10_high: float
    median_low: float
    median: float
    median_high: float
    variance: float


def _spreads(clouds: list[Cloud], effects: tuple[Effects, ...], seed: int) -> Floats:
    """The numbers of `_Spread` (7, m), a block of components at a time."""
    out = []
    for begin in range(0, len(clouds), _AT_ONCE):
        some = slice(begin, begin + _AT_ONCE)
        logs = np.stack(
            [c.log_ages((0.1, 0.5), _POINTS, seed, e) for c, e in zip(clouds[some], effects[some], strict=True)]
        )
        quantiles = np.quantile(logs, [0.05, 0.5, 0.95], axis=2)
        out.append(np.concatenate([*quantiles.transpose(2, 0, 1), logs[None, :, 0].var(axis=2)]))
    return np.concatenate(out, axis=1)


def _settle(
    name: Name,
    ready: Prepared,
    j: int,
    pooled: Pooled,
    rivals: tuple[Rival, ...],
    cloud: Cloud,
    spread: _Spread,
    shrinkage: float,
    shared: bool,
    seed: int,
) -> LifeFit:
    """The answer for one component out of the mixture of its posteriors."""
    effects, events = ready.found.effects[j], float(ready.events[j])
    chosen, note = _choose(rivals, events, shared)
    b10, median = float(np.exp(spread.b10)), float(np.exp(spread.median))
    plain = next(r for r in rivals if r.distribution == chosen)
    if not shared and effects.none and events >= _MANY_EVENTS and plain.settled:
        b10, median = plain.b10, plain.median
    scale_location, scale_sigma = curve_through(chosen, b10, median)
    # the curve of the mix is what is shown; the curve of one combination of levels is what chances are computed from
    location, sigma = scale_location, scale_sigma
    if not effects.none:
        alone_log_ages = cloud.log_ages((0.1, 0.5), _POINTS, seed, Effects())
        location, sigma = curve_through(chosen, *(float(np.median(np.exp(x))) for x in alone_log_ages))
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
        float(np.exp(spread.b10_low)),
        float(np.exp(spread.b10_high)),
        median,
        float(np.exp(spread.median_low)),
        float(np.exp(spread.median_high)),
        events,
        round(float(ready.counts[j])),
        float(ready.exposure[j]),
        shrinkage,
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


def _clouds(pooled: Pooled, scale: float) -> list[Cloud]:
    """The mixture of the posteriors of each component as weighted nodes, ages in the store's unit."""
    names = tuple(d.name for d in pooled.distributions)
    grids = [pooled.grids[name] for name in names]
    which = np.repeat(np.arange(len(names)), [grid.nodes.shape[1] for grid in grids])
    cells = np.stack([grid.cell for grid in grids], axis=1)
    clouds = []
    for j, shares in enumerate(pooled.shares):
        nodes = np.concatenate([grid.nodes[j] for grid in grids])
        share = np.concatenate([pooled.weights[name][j] * part for name, part in zip(names, shares, strict=True)])
        kept = np.flatnonzero(share > 1e-6)
        nodes, share = nodes.take(kept, axis=0), share.take(kept)
        location = nodes[:, 0] + np.log(scale)
        clouds.append(Cloud(names, which[kept], location, nodes[:, 1].copy(), share / share.sum(), cells[j]))
    return clouds


def _prior_variances(pooled: Pooled) -> Floats:
    """Each component's variance of log B10 under the prior alone (m); what the posterior's is of it is the shrinkage: 0
    all data, 1 all prior (Efron & Morris 1973).
    """
    variances = []
    for dist in pooled.distributions:
        prior = pooled.priors[dist.name]
        by_spread = 0.0 if dist.sigma_is_one else dist.z_at(0.1) * np.exp(prior.mean[:, 1])
        covariance = np.linalg.inv(prior.precision)
        both, spread = covariance[:, 0, 1] + covariance[:, 1, 0], covariance[:, 1, 1]
        variances.append(covariance[:, 0, 0] + by_spread * both + by_spread * by_spread * spread)
    # a fleet of one group shows what its group believes of the distributions, else the component's own shares serve
    shares = pooled.group_shares if len(pooled.group_shares) == 1 else pooled.shares
    return np.asarray((shares * np.column_stack(variances)).sum(axis=1))


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
