"""The likelihood worked out by hand, its derivatives, and other packages on any mix of censoring and late entry."""

from __future__ import annotations

import warnings

import lifelines
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from rebuildstats.fits.distributions import DISTRIBUTIONS, LOGLOGISTIC, LOGNORMAL, WEIBULL, Distribution
from rebuildstats.fits.inference import fit_model
from rebuildstats.fits.intervals import fit_plain
from rebuildstats.fits.likelihood import Lives, derivatives, grouped, lay_out, log_likelihood
from rebuildstats.fits.newton import LOG_SIGMA_MIN, find_modes, no_prior
from rebuildstats.fits.profiles import profile_age


def laid(rows: list[tuple[float, float, float]], **more: float) -> Lives:
    entry, lower, upper = (np.array(x, dtype=float) for x in zip(*rows, strict=True))
    return lay_out(np.zeros(len(rows), dtype=np.int64), entry, lower, upper, np.ones(len(rows)), 1, **more)


def test_by_hand() -> None:
    # Weibull of scale 2 and shape 3: S(t) = exp(-(t/2)^3), f(t) = 3/2 (t/2)^2 S(t). Seven lives, each written out.
    def s(t: float) -> float:
        return float(np.exp(-((t / 2) ** 3)))

    def f(t: float) -> float:
        return 1.5 * (t / 2) ** 2 * s(t)

    rows = [
        (0, 1.5, 1.5),  # exact
        (0, 1.0, 2.0),  # between two looks
        (0, 0.0, 1.2),  # failed before the first look
        (0, 2.5, np.nan),  # running
        (1.0, 1.8, 1.8),  # entered late, exact
        (1.0, 1.6, 2.4),  # entered late, between
        (0.5, 3.0, np.nan),  # entered late, running
    ]
    by_hand = [
        np.log(f(1.5)),
        np.log(s(1.0) - s(2.0)),
        np.log(1 - s(1.2)),
        np.log(s(2.5)),
        np.log(f(1.8) / s(1.0)),
        np.log((s(1.6) - s(2.4)) / s(1.0)),
        np.log(s(3.0) / s(0.5)),
    ]
    at = np.array([np.log(2.0)]), np.array([-np.log(3.0)])
    for row, value in zip(rows, by_hand, strict=True):
        assert log_likelihood(WEIBULL, laid([row]), *at)[0] == pytest.approx(value, rel=1e-12)
    assert log_likelihood(WEIBULL, laid(rows), *at)[0] == pytest.approx(sum(by_hand), rel=1e-12)


@pytest.mark.parametrize("dist", DISTRIBUTIONS, ids=lambda d: d.name)
def test_derivatives_are_the_derivatives(dist: Distribution) -> None:
    rng = np.random.default_rng(4)
    n, step = 90, 1e-5
    of = rng.integers(0, 3, n)
    entry = rng.choice([0.0, 0.2], n)
    lower = np.where(rng.random(n) < 0.2, 0.0, entry + rng.gamma(2.0, 0.5, n))
    upper = lower + rng.choice([0.0, 0.3, np.nan], n)
    lives = lay_out(of, np.where(lower > 0, entry, 0.0), lower, upper, rng.integers(1, 4, n).astype(float), 3)
    mu, tau = np.array([0.1, 0.2, -0.3]), np.array([-0.5, 0.1, -0.2])
    at = derivatives(dist, lives, mu, tau)
    np.testing.assert_allclose(at.value, log_likelihood(dist, lives, mu, tau), rtol=1e-12)

    def slope(of_what, by_mu: float, by_tau: float):  # type: ignore[no-untyped-def]
        up, down = of_what(mu + by_mu, tau + by_tau), of_what(mu - by_mu, tau - by_tau)
        return (up - down) / (2 * step)

    def value(a, b):  # type: ignore[no-untyped-def]
        return log_likelihood(dist, lives, a, b)

    np.testing.assert_allclose(at.location, slope(value, step, 0), atol=1e-5)
    np.testing.assert_allclose(at.spread, slope(value, 0, step), atol=1e-5)
    by_location = lambda a, b: derivatives(dist, lives, a, b).location  # noqa: E731
    by_spread = lambda a, b: derivatives(dist, lives, a, b).spread  # noqa: E731
    np.testing.assert_allclose(at.location_location, slope(by_location, step, 0), atol=1e-4)
    np.testing.assert_allclose(at.location_spread, slope(by_location, 0, step), atol=1e-4)
    np.testing.assert_allclose(at.spread_spread, slope(by_spread, 0, step), atol=1e-4)


@pytest.mark.parametrize("dist", DISTRIBUTIONS, ids=lambda d: d.name)
def test_looks_very_near_each_other_tell_what_an_exact_age_tells(dist: Distribution) -> None:
    at = np.array([0.2]), np.array([-0.7])
    ages = np.array([0.6, 1.0, 1.7])
    zero, width = np.zeros(3), 1e-8
    near = derivatives(dist, lay_out(zero.astype(int), zero, ages - width, ages + width, zero + 1, 1), *at)
    exact = derivatives(dist, lay_out(zero.astype(int), zero, ages, ages, zero + 1, 1), *at)
    assert near.value - 3 * np.log(2 * width) == pytest.approx(exact.value, abs=1e-6)
    for name in ("location", "spread", "location_location", "location_spread", "spread_spread"):
        assert getattr(near, name) == pytest.approx(getattr(exact, name), abs=1e-5)


def test_in_blocks_or_at_once_it_is_the_same() -> None:
    rng = np.random.default_rng(5)
    of = np.sort(rng.choice(np.delete(np.arange(900), [0, 40, 899]), 9000))  # some without a life
    ages = rng.weibull(2.0, 9000)
    lower, upper = np.where(rng.random(9000) < 0.5, 0.0, ages), ages + rng.choice([0.0, 0.4, np.nan], 9000)
    lives = lay_out(of, np.where(lower > 0, 0.5 * lower, 0.0), lower, upper, np.ones(9000), 900)
    location, log_sigma = rng.normal(0, 0.2, (900, 7)), rng.normal(-0.7, 0.2, (900, 7))
    many = log_likelihood(WEIBULL, lives, location, log_sigma)
    first = derivatives(WEIBULL, lives, location[:, 0], log_sigma[:, 0])
    np.testing.assert_allclose(first.value, many[:, 0], rtol=1e-11)
    for j, one in enumerate(lives.one_by_one()):
        if j % 90 in (0, 40, 89):
            np.testing.assert_allclose(
                log_likelihood(WEIBULL, one, location[[j]], log_sigma[[j]])[0], many[j], rtol=1e-11
            )
            np.testing.assert_allclose(
                derivatives(WEIBULL, one, location[j, :1], log_sigma[j, :1]).spread_spread[0], first.spread_spread[j]
            )


@pytest.mark.parametrize("dist", [WEIBULL, LOGNORMAL, LOGLOGISTIC], ids=lambda d: d.name)
def test_profile_ends_stand_where_a_plain_search_puts_them(dist: Distribution) -> None:
    rng = np.random.default_rng(6)
    lower, upper = mixes(21)[1:]
    lives = lay_out(
        np.zeros(len(lower), dtype=np.int64), lower * 0, lower, upper, rng.integers(1, 3, len(lower)) * 1.0, 1
    )
    modes = find_modes(dist, lives, no_prior(1))
    z, drop = dist.z_at(0.1), 0.5 * stats.chi2.ppf(0.9, 1)

    def fallen(log_age: float) -> float:
        best = optimize.minimize_scalar(
            lambda tau: -log_likelihood(dist, lives, np.array([log_age - z * np.exp(tau)]), np.array([tau]))[0],
            bounds=(-3.0, 2.0),
            method="bounded",
            options={"xatol": 1e-9},
        )
        return float(modes.log_likelihood[0] + best.fun - drop)

    centre = float(modes.parameters[0, 0] + z * np.exp(modes.parameters[0, 1]))
    low, high = profile_age(dist, lives, modes, 0.1)
    assert low[0] == pytest.approx(optimize.brentq(fallen, centre - 3.0, centre), abs=1e-7)
    assert high[0] == pytest.approx(optimize.brentq(fallen, centre, centre + 3.0), abs=1e-7)


def test_many_components_at_once_equal_one_by_one() -> None:
    rng = np.random.default_rng(8)
    ages = rng.weibull(2.0, 60) * 100
    upper = np.where(rng.random(60) < 0.3, np.nan, ages)
    of = rng.integers(0, 4, 60)
    together = find_modes(LOGNORMAL, lay_out(of, ages * 0, ages, upper, ages * 0 + 1, 4, scale=100.0), no_prior(4))
    for k in range(4):
        one = ages[of == k]
        alone = fit_plain(LOGNORMAL, one * 0, one, upper[of == k])
        assert np.exp(together.parameters[k, 0]) * 100 == pytest.approx(alone.scale.value, rel=1e-7)


def test_equal_lives_are_merged_into_weights() -> None:
    frame = pd.DataFrame({"a": [1.0, 1.0, 2.0, np.nan, np.nan], "weight": [1.0, 2.0, 1.0, 1.0, 1.0]})
    merged = grouped(frame, ["a"])
    assert merged["weight"].tolist() == [3.0, 1.0, 2.0]


def mixes(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A random mix of exact, interval, left- and right-censored, late-entered lives."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(25, 60))
    ages = 100 * rng.weibull(rng.uniform(1.2, 3.5), n)
    entry = np.where(rng.random(n) < 0.3, rng.uniform(1, 60, n), 0.0)
    keep = ages > entry
    ages, entry = ages[keep], entry[keep]
    kind = rng.choice(4, len(ages), p=[0.4, 0.25, 0.1, 0.25])
    lower = np.select(
        [kind == 0, kind == 1, kind == 2], [ages, ages * rng.uniform(0.6, 0.95, len(ages)), entry], ages * 0.7
    )
    lower = np.maximum(lower, entry)
    upper = np.select([kind == 0, kind == 1, kind == 2], [lower, ages * 1.1 + 1e-6, ages * 1.05], np.nan)
    says = np.isfinite(upper) | (lower > entry)
    return entry[says], lower[says], upper[says]


SCIPY = {
    "weibull": lambda p: stats.weibull_min(np.exp(-p[1]), scale=np.exp(p[0])),
    "lognormal": lambda p: stats.lognorm(np.exp(p[1]), scale=np.exp(p[0])),
    "loglogistic": lambda p: stats.fisk(np.exp(-p[1]), scale=np.exp(p[0])),
}


@settings(max_examples=12, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10_000), dist=st.sampled_from([WEIBULL, LOGNORMAL, LOGLOGISTIC]))
def test_any_mix_against_scipy(seed: int, dist: Distribution) -> None:
    entry, lower, upper = mixes(seed)

    def minus(p: np.ndarray) -> float:
        with np.errstate(all="ignore"):
            frozen = SCIPY[dist.name](p)
            exact, running = upper == lower, np.isnan(upper)
            between = ~exact & ~running
            total = frozen.logpdf(lower[exact]).sum() + frozen.logsf(lower[running]).sum() - frozen.logsf(entry).sum()
            return -float(total + np.log(frozen.cdf(upper[between]) - frozen.cdf(lower[between])).sum())

    start = np.array([np.log(80.0), -0.5])
    found = optimize.minimize(
        minus, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000}
    )
    ours = fit_plain(dist, entry, lower, upper)
    assert ours.log_likelihood == pytest.approx(-found.fun, abs=1e-6)
    assert np.log(ours.scale.value) == pytest.approx(found.x[0], abs=1e-4)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10_000))
def test_any_mix_against_lifelines(seed: int) -> None:
    # lifelines takes an interval's ends as closed, which for a continuous life is no difference
    entry, lower, upper = mixes(seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # lifelines' own, of its optimiser
        theirs = lifelines.WeibullFitter().fit_interval_censoring(
            lower, np.where(np.isnan(upper), np.inf, upper), entry=entry
        )
    model = fit_model(WEIBULL, entry, lower, upper)
    assert model.llf == pytest.approx(theirs.log_likelihood_, abs=2e-3)
    assert np.exp(model.params[0]) == pytest.approx(theirs.lambda_, rel=2e-3)
    assert model.llf >= theirs.log_likelihood_ - 1e-6


@pytest.mark.parametrize("dist", [d for d in DISTRIBUTIONS if not d.sigma_is_one], ids=lambda d: d.name)
def test_where_all_fail_at_one_age_only_the_spread_stands_at_its_limit(dist: Distribution) -> None:
    """Units opened at the same written mileage: the spread has no highest point, the location has one all the same."""
    age = np.full(48, 100.0)
    lives = lay_out(np.zeros(48, dtype=np.int64), 0 * age, age, age, 1 + 0 * age, 1)
    modes = find_modes(dist, lives, no_prior(1))
    assert modes.parameters[0, 1] == pytest.approx(LOG_SIGMA_MIN)
    assert modes.gradient[0, 0] == pytest.approx(0.0, abs=1e-6)
    assert not modes.settled[0]


def test_statsmodels_summary_covariance_clusters() -> None:
    entry, lower, upper = mixes(3)
    plain = fit_model(WEIBULL, entry, lower, upper)
    # numerical second derivatives of the log likelihood are the information that the covariance inverts
    numeric = optimize.approx_fprime(plain.params, plain.model.score, 1e-6)
    np.testing.assert_allclose(plain.cov_params(), np.linalg.inv(-numeric), rtol=1e-3)
    np.testing.assert_allclose(plain.model.score_obs(plain.params).sum(axis=0), 0.0, atol=1e-6)
    assert plain.model.loglikeobs(plain.params).sum() == pytest.approx(plain.llf)
    # every life three times, as one unit's: model-based errors shrink by sqrt(3), cluster-robust ones don't
    thrice = [np.repeat(x, 3) for x in (entry, lower, upper)]
    units = np.repeat(np.arange(len(entry)), 3)
    naive = fit_model(WEIBULL, *thrice)
    robust = fit_model(WEIBULL, *thrice, cov_type="cluster", cov_kwds={"groups": units})
    np.testing.assert_allclose(naive.bse * np.sqrt(3), plain.bse, rtol=1e-4)
    one_by_one = fit_model(WEIBULL, entry, lower, upper, cov_type="cluster", cov_kwds={"groups": np.arange(len(entry))})
    np.testing.assert_allclose(robust.bse, one_by_one.bse, rtol=0.02)
    assert naive.aic == pytest.approx(2 * 2 - 2 * naive.llf)  # two parameters, counted once


@pytest.mark.parametrize("seed", range(3))
def test_any_mix_against_surpyval(seed: int) -> None:
    import surpyval

    entry, lower, upper = mixes(seed)
    running, exact = np.isnan(upper), upper == lower
    ends = [a if b else [a, c] for a, b, c in zip(lower, exact | running, upper, strict=True)]
    kinds = np.where(running, 1, np.where(exact, 0, 2))
    for name, dist in (("Weibull", WEIBULL), ("LogNormal", LOGNORMAL)):
        theirs = getattr(surpyval, name).fit(x=ends, c=kinds, tl=entry)
        ours = fit_plain(dist, entry, lower, upper)
        assert ours.log_likelihood == pytest.approx(-theirs.neg_ll(), abs=1e-6)
        location = np.log(theirs.params[0]) if name == "Weibull" else theirs.params[0]
        shape = theirs.params[1]
        assert np.log(ours.scale.value) == pytest.approx(location, abs=1e-4)
        assert ours.shape.value == pytest.approx(shape, rel=1e-4)
