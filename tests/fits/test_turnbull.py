"""Turnbull's estimate against published values, Kaplan and Meier's, and a plain EM written out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize
from scipy.stats import chi2
from sksurv.nonparametric import kaplan_meier_estimator

from rebuildstats.fits.turnbull import Turnbull, turnbull, turnbull_limits
from tests.fits import published_lives as published


def of(data: pd.DataFrame) -> Turnbull:
    return turnbull(*(data[c].to_numpy() for c in ("entry", "lower", "upper", "weight")))


def test_remissions_kaplan_meier_greenwood_nelson_aalen() -> None:
    # N1: R MASS `gehan`, 6-MP arm (Freireich 1963; Klein & Moeschberger); R, lifelines, scikit-survival
    found = of(published.remissions())
    events = np.isfinite(found.right)
    np.testing.assert_array_equal(found.right[events], [6, 7, 10, 13, 16, 22, 23])
    survival = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    np.testing.assert_allclose(found.survival[events], survival, atol=1e-6)
    errors = [0.0763604, 0.0869353, 0.0963497, 0.1068147, 0.1140539, 0.1282338, 0.1345915]
    np.testing.assert_allclose(found.standard_error[events], errors, atol=1e-6)
    cumulative = [0.142857, 0.201681, 0.268347, 0.351681, 0.442590, 0.585447, 0.752114]
    np.testing.assert_allclose(np.cumsum(found.hazard[events]), cumulative, atol=1e-6)


def test_nist_table() -> None:
    # N1b: NIST apr413.r as printed: survival .95 to .50, standard errors; the log-interval at 386 is .323 to .775
    found = of(published.nist_units())
    events = np.isfinite(found.right)
    np.testing.assert_allclose(found.survival[events], np.arange(0.95, 0.49, -0.05), atol=5e-4)
    errors = [0.0487, 0.0671, 0.0798, 0.0894, 0.0968, 0.1025, 0.1067, 0.1095, 0.1112, 0.1118]
    np.testing.assert_allclose(found.standard_error[events], errors, atol=5e-4)
    last = found.survival[events][-1]
    reach = 1.959964 * found.standard_error[events][-1] / last
    assert (last * np.exp(-reach), last * np.exp(reach)) == pytest.approx((0.323, 0.775), abs=5e-4)


def test_turnbull_1974() -> None:
    # N2: Turnbull 1974, JASA 69:169 (R survival tests/turnbull.R): published .538 .295 .210 .095
    lower, upper, weight = [], [], []
    for time, (exact, right, left) in enumerate(zip([12, 6, 2, 3], [3, 2, 0, 3], [2, 4, 2, 5], strict=True), start=1):
        lower += [time, time, 0]
        upper += [time, np.nan, time]
        weight += [exact, right, left]
    found = of(published.lives(lower, upper, weight))
    _, after = found.survival_at(np.array([1.0, 2.0, 3.0, 4.0]))
    np.testing.assert_allclose(after, [0.5375677, 0.2945940, 0.2097602, 0.0948458], atol=1e-6)


def test_breast_cosmesis() -> None:
    # N3: R KMsurv `bcdeter`, radiotherapy only (Finkelstein & Wolfe 1985; K&M ex. 5.2); npsurv, survfit; (L, R]
    # intervals
    data = published.dataset("KMsurv", "bcdeter")
    data = data[data["treat"] == 1]
    found = of(published.lives(data["lower"].to_numpy(float), data["upper"].to_numpy(float)))
    mass = {
        (4, 5): 0.046347, (6, 7): 0.033363, (7, 8): 0.088667, (11, 12): 0.070753, (24, 25): 0.092646,
        (33, 34): 0.081786, (38, 40): 0.120880, (46, 48): 0.465558,
    }  # fmt: skip
    kept = found.mass > 1e-6
    assert [tuple(map(int, ends)) for ends in zip(found.left[kept], found.right[kept], strict=True)] == list(mass)
    np.testing.assert_allclose(found.mass[kept], list(mass.values()), atol=1e-4)
    assert found.log_likelihood == pytest.approx(-58.060022, abs=1e-4)
    assert np.isnan(found.standard_error).all()


def test_turbine_wheels_pool_adjacent_violators() -> None:
    # N4: current status; own PAV in R, scikit-learn's isotonic regression
    found = of(published.turbine_wheels())
    ages = np.array([4.0, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46])
    expected = [0, 0.069767, 0.069767, 0.095890, 0.166667, 0.222222, 0.222222, 0.461538, 0.581081, 0.581081, 0.583333]
    np.testing.assert_allclose(1.0 - found.survival_at(ages)[1], expected, atol=1e-6)


def test_heat_exchanger_tubes() -> None:
    # N5: Meeker & Escobar ch. 3, plants pooled: 4 of 300, 5 of 197, 2 of 97 (they print .0133 .0384 .0582, from memory)
    lower = [1, 1, 2, 2, 3, 3]
    upper = [1, np.nan, 2, np.nan, 3, np.nan]
    found = of(published.lives(lower, upper, [4, 99, 5, 95, 2, 95]))
    chance = 1.0 - found.survival[:3]
    np.testing.assert_allclose(chance, [0.0133333, 0.0383756, 0.0582029], atol=1e-6)
    np.testing.assert_allclose(found.standard_error[:3], [0.0066221, 0.0128021, 0.0187006], atol=1e-6)


def test_channing_house_given_late_entry() -> None:
    # L8: Kaplan-Meier given survival beyond 816 months, R and lifelines
    data = published.channing_men()
    data = data[data["lower"] > 816]
    data = data.assign(entry=data["entry"].clip(lower=816))
    found = of(data)
    _, after = found.survival_at(np.array([900.0, 960, 1000, 1080]))
    np.testing.assert_allclose(after, [0.804531, 0.637761, 0.500820, 0.222707], atol=1e-6)


def test_survival_inside_an_interval_is_a_range() -> None:
    found = of(published.lives([0, 2], [1, 4]))
    high, low = found.survival_at(np.array([0.5, 1.5, 3.0, 5.0]))
    np.testing.assert_allclose(high, [1.0, 0.5, 0.5, 0.0], atol=1e-9)
    np.testing.assert_allclose(low, [0.5, 0.5, 0.0, 0.0], atol=1e-9)


def test_nothing_failed() -> None:
    found = of(published.lives([5, 7], np.nan))
    assert found.events == 0
    np.testing.assert_array_equal(found.mass, [1.0])
    assert np.isinf(found.right).all()


ages = st.integers(min_value=1, max_value=12)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.tuples(ages, st.booleans()), min_size=1, max_size=25))
def test_without_intervals_it_is_kaplan_meier(rows: list[tuple[int, bool]]) -> None:
    left = np.array([age for age, _ in rows], dtype=float)
    failed = np.array([event for _, event in rows])
    found = turnbull(np.zeros(len(left)), left, np.where(failed, left, np.nan))
    times, survival = kaplan_meier_estimator(failed, left) if failed.any() else (np.array([1.0]), np.array([1.0]))
    _, after = found.survival_at(times)
    np.testing.assert_allclose(after, survival, atol=1e-9)


def plain_em(entry: np.ndarray, lower: np.ndarray, upper: np.ndarray, steps: int = 4000) -> float:
    """Log likelihood by Turnbull's self-consistency over every elementary interval, with ghosts for late entries."""
    cuts = np.unique(np.concatenate([[0.0], entry, lower, upper[np.isfinite(upper)]]))
    right = np.append(cuts[1:], np.inf)
    inside = (right[None, :] <= np.where(np.isfinite(upper), upper, np.inf)[:, None]) & (
        cuts[None, :] >= lower[:, None]
    )
    seen = cuts[None, :] >= entry[:, None]
    mass = np.full(len(cuts), 1.0 / len(cuts))
    for _ in range(steps):
        expected = inside * mass / (inside @ mass)[:, None] + ~seen * mass / (seen @ mass)[:, None]
        mass = expected.sum(axis=0) / expected.sum()
    return float(np.log(inside @ mass).sum() - np.log(seen @ mass).sum())


@pytest.mark.parametrize("seed", range(6))
def test_intervals_and_late_entries_against_a_plain_em(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 25
    entry = np.where(rng.random(n) < 0.3, rng.integers(1, 3, n), 0).astype(float)
    lower = entry + rng.integers(0, 6, n)
    upper = np.where(rng.random(n) < 0.3, np.nan, lower + rng.integers(1, 5, n))
    says = np.isfinite(upper) | (lower > entry)
    entry, lower, upper = entry[says], lower[says], upper[says]
    found = turnbull(entry, lower, upper)
    assert found.log_likelihood >= plain_em(entry, lower, upper) - 1e-8
    assert found.mass.sum() == pytest.approx(1.0)


def test_limits_without_censoring_are_those_of_a_binomial_share() -> None:
    # the likelihood ratio of a binomial share in closed form (Thomas & Grunkemeier 1975 reduces to it)
    n, failed = 20, 6
    ages = np.arange(1.0, n + 1)
    row = turnbull_limits(np.zeros(n), ages, ages, most=n, level=0.9).iloc[failed - 1]

    def fall(share: float) -> float:
        ratio = failed * np.log(failed / n / (1 - share)) + (n - failed) * np.log((n - failed) / n / share)
        return float(2 * ratio - chi2.ppf(0.9, 1))

    assert row["survival"] == pytest.approx(14 / 20)
    assert row["survival_lower"] == pytest.approx(brentq(fall, 0.1, 0.7), abs=2e-3)
    assert row["survival_upper"] == pytest.approx(brentq(fall, 0.7, 0.99), abs=2e-3)


def test_limits_between_looks_against_a_general_optimiser() -> None:
    # N3: breast cosmesis; the profile likelihood of survival after (24, 25] by scipy's SLSQP over the masses
    data = published.dataset("KMsurv", "bcdeter")
    data = data[data["treat"] == 1]
    lower, upper = data["lower"].to_numpy(float), data["upper"].to_numpy(float)
    limits = turnbull_limits(np.zeros(len(lower)), lower, upper).set_index("age").loc[25.0]
    found = turnbull(np.zeros(len(lower)), lower, upper)
    inside = (found.left[None, :] >= lower[:, None]) & (
        found.right[None, :] <= np.where(np.isfinite(upper), upper, np.inf)[:, None]
    )
    after = found.right > 25.0

    def profile(survival: float) -> float:
        start = np.where(after, found.mass / found.mass[after].sum() * survival, 0.0)
        start += np.where(~after, found.mass / found.mass[~after].sum() * (1 - survival), 0.0)
        rules = [
            {"type": "eq", "fun": lambda m: m.sum() - 1},
            {"type": "eq", "fun": lambda m: m[after].sum() - survival},
        ]
        best = minimize(
            lambda m: -np.log(np.maximum(inside @ m, 1e-12)).sum(),
            np.maximum(start, 1e-6), bounds=[(0, 1)] * len(start), constraints=rules, options={"maxiter": 300},
        )  # fmt: skip
        return float(-best.fun)

    for side in ("survival_lower", "survival_upper"):
        fall = 2 * (found.log_likelihood - profile(float(limits[side])))
        assert fall == pytest.approx(chi2.ppf(0.9, 1), rel=0.05)


def test_limits_of_many_ages_are_as_those_of_few() -> None:
    rng = np.random.default_rng(5)
    age, step = 200.0 * rng.weibull(2.4, 1500), rng.uniform(20, 100, 1500)
    lower = np.floor(age / step) * step
    fine = turnbull_limits(np.zeros(1500), lower, lower + step)
    truth = np.exp(-((fine["age"] / 200.0) ** 2.4))
    assert ((fine["survival_lower"] <= truth) & (truth <= fine["survival_upper"])).mean() >= 0.75
    assert (fine["survival_upper"] - fine["survival_lower"]).max() < 0.15
