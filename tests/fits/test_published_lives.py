"""Fits against published and independently computed values; tolerances are those of the table the values stand in.

Values marked R were computed with R's survival, those marked lifelines, surpyval, reliability with those packages.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.distributions import DISTRIBUTIONS, EXPONENTIAL, LOGNORMAL, WEIBULL, Distribution
from rebuildstats.fits.inference import fit_model
from rebuildstats.fits.intervals import PlainFit, fit_plain, weibayes_scale, zero_failure_scale
from rebuildstats.fits.life import fit_lives
from rebuildstats.fits.plots import median_ranks
from tests.fits import published_lives as published

MLE = 1e-5  # relative, of a maximum-likelihood estimate
LOG_LIKELIHOOD = 1e-6  # absolute
INTERVAL = 1e-4  # relative


def fitted(dist: Distribution, data: pd.DataFrame, level: float = 0.95) -> PlainFit:
    columns = (data[c].to_numpy() for c in ("entry", "lower", "upper"))
    return fit_plain(dist, *columns, weight=data["weight"].to_numpy(), level=level)


def test_nist_weibull_lognormal_exponential() -> None:
    # L1: NIST/SEMATECH e-Handbook 8.4.1.3 (page apr413.htm: 606.5280, 1.7208, 75.135, AIC 154.27 and 154.39); further
    # digits R, lifelines, surpyval, reliability, scipy
    data = published.nist_units()
    weibull = fitted(WEIBULL, data)
    assert weibull.scale.value == pytest.approx(606.52757, rel=MLE)
    assert weibull.shape.value == pytest.approx(1.7207972, rel=MLE)
    assert weibull.log_likelihood == pytest.approx(-75.13461816, abs=LOG_LIKELIHOOD)
    lognormal = fitted(LOGNORMAL, data)
    assert np.log(lognormal.scale.value) == pytest.approx(6.2260151, rel=MLE)
    assert lognormal.shape.value == pytest.approx(0.9089140, rel=MLE)
    assert lognormal.log_likelihood == pytest.approx(-75.19627, abs=1e-5)
    exponential = fitted(EXPONENTIAL, data)
    assert exponential.scale.value == pytest.approx(777.1, rel=1e-9)
    # the page's AIC, from AICc with its small-sample term (20 lives) taken off again
    for fit, k, aic in ((weibull, 2, 154.27), (lognormal, 2, 154.39), (exponential, 1, 155.11138)):
        assert fit.aicc - 2 * k * (k + 1) / (20 - k - 1) == pytest.approx(aic, abs=5e-3)


def test_nist_intervals_wald_and_profile() -> None:
    # L1-CI: Wald on the log scale by R and reliability; likelihood ratio by R and scipy
    data = published.nist_units()
    fit = fitted(WEIBULL, data)
    assert fit.scale.wald == pytest.approx((405.089, 908.135), rel=INTERVAL)
    assert fit.shape.wald == pytest.approx((0.971266, 3.048746), rel=INTERVAL)
    assert fit.age.value == pytest.approx(164.0224, rel=INTERVAL)
    assert fit.age.wald == pytest.approx((83.8751, 320.755), rel=INTERVAL)
    assert fit.scale.profile == pytest.approx((437.5567, 1118.8776), rel=INTERVAL)
    assert fit.shape.profile == pytest.approx((0.905645, 2.885738), rel=INTERVAL)
    assert fit.age.profile == pytest.approx((59.85455, 271.94952), rel=INTERVAL)
    narrow = fitted(WEIBULL, data, level=0.9)
    assert narrow.shape.profile == pytest.approx((1.01465, 2.67345), rel=INTERVAL)
    assert narrow.age.profile == pytest.approx((74.8336, 254.762), rel=INTERVAL)
    assert narrow.age.interval == narrow.age.wald  # ten events


def test_nist_probability_plot_axis() -> None:
    # L1-P: NIST's R script for the Weibull plot: median ranks, -ln(1 - F), and the line on log10-log10 paper
    hazard = -np.log1p(-median_ranks(20)[:10])
    expected = [
        0.03491627, 0.08701138, 0.14197026, 0.20012618, 0.26187419, 0.32768741, 0.39813907, 0.47393291, 0.55594606,
        0.64529116,
    ]  # fmt: skip
    np.testing.assert_allclose(hazard, expected, atol=1e-6)
    ages = published.nist_units()["lower"].to_numpy()[:10]
    slope, intercept = np.polyfit(np.log10(ages), np.log10(hazard), 1)
    assert (slope, intercept) == pytest.approx((1.457519, -4.116536), abs=1e-6)


def test_locomotive_controls() -> None:
    # L2: Nelson 1982; mu 5.1169, sigma .7055 (course PDF cited in scipy's test_lognorm, p. 279); digits R, lifelines,
    # surpyval, reliability
    data = published.locomotive_controls()
    fit = fitted(LOGNORMAL, data)
    assert np.log(fit.scale.value) == pytest.approx(5.11692472, rel=MLE)
    assert fit.shape.value == pytest.approx(0.70549403, rel=MLE)
    assert fit.log_likelihood == pytest.approx(-237.093545, abs=LOG_LIKELIHOOD)
    assert fit.age.value == pytest.approx(67.54525, rel=MLE)
    columns = (data[c].to_numpy() for c in ("entry", "lower", "upper"))
    model = fit_model(LOGNORMAL, *columns, weight=data["weight"].to_numpy())
    assert model.bse[0] == pytest.approx(0.1041572, rel=MLE)
    weibull = fitted(WEIBULL, data)
    assert weibull.scale.value == pytest.approx(183.3988, rel=MLE)
    assert weibull.shape.value == pytest.approx(2.331253, rel=MLE)
    assert weibull.log_likelihood == pytest.approx(-237.382513, abs=LOG_LIKELIHOOD)


def test_turbine_wheels_looked_at_once() -> None:
    # L4: Nelson 1982, Meeker & Escobar 1998; R, lifelines, surpyval to 1e-6; likelihood ratio R and scipy
    fit = fitted(WEIBULL, published.turbine_wheels())
    assert fit.scale.value == pytest.approx(46.777230, rel=MLE)
    assert fit.shape.value == pytest.approx(2.1757799, rel=MLE)
    assert fit.log_likelihood == pytest.approx(-189.287193, abs=LOG_LIKELIHOOD)
    assert fit.age.value == pytest.approx(16.628462, rel=MLE)
    assert fit.scale.wald == pytest.approx((41.2678, 53.0222), rel=INTERVAL)
    assert fit.shape.wald == pytest.approx((1.70477, 2.77692), rel=INTERVAL)
    assert fit.age.wald == pytest.approx((13.7959, 20.0426), rel=INTERVAL)
    assert fit.scale.profile == pytest.approx((42.09451, 54.73629), rel=INTERVAL)
    assert fit.shape.profile == pytest.approx((1.668965, 2.732036), rel=INTERVAL)
    assert fit.age.profile == pytest.approx((13.35274, 19.58598), rel=INTERVAL)


def test_diesel_fans() -> None:
    # L5: Nelson 1982; Weibull 1.0584, 26.2968 thousand h in scipy's tests; exponential R and reliability
    data = published.diesel_fans()
    exponential = fitted(EXPONENTIAL, data)
    assert exponential.scale.value == pytest.approx(28703.333, rel=MLE)
    assert exponential.log_likelihood == pytest.approx(-135.177223, abs=LOG_LIKELIHOOD)
    assert exponential.scale.wald == pytest.approx((16300.90, 50542.07), rel=INTERVAL)
    weibull = fitted(WEIBULL, data)
    assert weibull.scale.value == pytest.approx(26296.845, rel=MLE)
    assert weibull.shape.value == pytest.approx(1.0584458, rel=MLE)
    assert weibull.log_likelihood == pytest.approx(-135.152720, abs=LOG_LIKELIHOOD)
    # time-truncated chi-square interval of the mean: a Weibull of shape 1 with the shape given
    value, lower, upper = weibayes_scale(data["lower"].to_numpy(), 12, 1.0)
    assert (value, lower, upper) == pytest.approx((28703.333, 16431.96, 55549.69), rel=MLE)


def test_bearing_cages_few_events_many_weights() -> None:
    # L7: Abernethy 1983; Meeker & Escobar 1998 ex. 8.16 print beta 2.035, B10 3903, LR (2093, 22144) (from memory)
    # digits R and scipy. Wald and likelihood-ratio intervals are far apart, each against its own value.
    fit = fitted(WEIBULL, published.bearing_cages())
    assert fit.scale.value == pytest.approx(11792.178, rel=MLE)
    assert fit.shape.value == pytest.approx(2.0353186, rel=MLE)
    assert fit.log_likelihood == pytest.approx(-76.436896, abs=LOG_LIKELIHOOD)
    assert fit.age.value == pytest.approx(3903.1266, rel=MLE)
    assert fit.age.wald == pytest.approx((1488.54, 10234.4), rel=INTERVAL)
    assert fit.scale.wald == pytest.approx((2295, 60599), rel=1e-3)
    assert fit.age.profile == pytest.approx((2094.281, 22144.43), rel=1e-3)
    assert fit.scale.profile == pytest.approx((4045, 213597), rel=1e-3)
    assert fit.shape.profile == pytest.approx((0.970932, 3.579538), rel=1e-3)
    assert fit.age.interval == fit.age.profile  # six events


def test_channing_house_late_entry() -> None:
    # L8: R boot `channing`; R, lifelines, surpyval, scipy; lognormal lifelines and scipy to 1e-4
    data = published.channing_men()
    fit = fitted(WEIBULL, data)
    assert fit.scale.value == pytest.approx(968.8397, rel=MLE)
    assert fit.shape.value == pytest.approx(6.280103, rel=MLE)
    assert fit.log_likelihood == pytest.approx(-274.750897, abs=LOG_LIKELIHOOD)
    ignoring = fitted(WEIBULL, data.assign(entry=0.0))
    assert ignoring.scale.value == pytest.approx(1077.509, rel=MLE)
    assert ignoring.shape.value == pytest.approx(14.21811, rel=MLE)
    lognormal = fitted(LOGNORMAL, data)
    assert np.log(lognormal.scale.value) == pytest.approx(6.8330998, rel=1e-4)
    assert lognormal.shape.value == pytest.approx(0.1508322, rel=1e-4)
    assert lognormal.log_likelihood == pytest.approx(-275.882373, abs=1e-4)


def test_exponential_closed_form() -> None:
    # L10: scipy's test_expon_right_censored: mean 19.85, standard error mean / sqrt(10)
    failed = [1, 2.5, 3, 6, 7.5, 10, 12, 12, 14.5, 15]
    running = [16, 16, 20, 20, 21, 22]
    data = published.lives([*failed, *running], [*failed, *[np.nan] * 6])
    assert fitted(EXPONENTIAL, data).scale.value == pytest.approx(19.85, rel=1e-9)
    model = fit_model(EXPONENTIAL, *(data[c].to_numpy() for c in ("entry", "lower", "upper")))
    assert np.exp(model.params[0]) * model.bse[0] == pytest.approx(6.277121, rel=1e-6)


def test_motorettes_accelerated_by_heat() -> None:
    # L13: R MASS `motors` (Kalbfleisch & Prentice 1980; MASS ch. 13): Weibull on temperature; R, lifelines to 1e-5
    data = published.dataset("MASS", "motors")
    hours = data["time"].to_numpy(float)
    design = np.column_stack([np.ones(len(data)), data["temp"].to_numpy(float)])
    upper = np.where(data["cens"] == 1, hours, np.nan)
    model = fit_model(WEIBULL, np.zeros(len(data)), hours, upper, design=design, names=["location", "temp"])
    assert model.params[:2] == pytest.approx([16.3185194, -0.0453070535], rel=MLE)
    assert np.exp(model.params[2]) == pytest.approx(0.33432527, rel=MLE)
    assert model.bse[:2] == pytest.approx([0.622964, 0.00318582], rel=1e-4)
    assert model.llf == pytest.approx(-147.365061, abs=LOG_LIKELIHOOD)
    at_130 = np.array([1.0, 130.0, 0.0])
    life = np.exp(at_130 @ model.params)
    error = life * np.sqrt(at_130 @ model.cov_params() @ at_130)
    assert (life, error) == pytest.approx((33813.06, 7506.36), rel=1e-4)
    assert "temp" in str(model.summary())


def test_shape_given() -> None:
    # C3: Weibayes on L7 with beta fixed; closed form, R and Python; the upper side uses 2 r, the lower 2 r + 2 df
    data = published.bearing_cages()
    expected = {
        1.5: (28982.157, 17256.30, 56541.49, 6465.210),
        2.0: (12320.337, 8350.940, 20337.613, 3999.093),
        3.0: (5408.951, 4173.703, 7554.944, 2554.694),
    }
    for shape, (scale, lower, upper, b10) in expected.items():
        found = weibayes_scale(data["lower"].to_numpy(), 6, shape, weight=data["weight"].to_numpy())
        assert found == pytest.approx((scale, lower, upper), rel=1e-6)
        assert found[0] * (-np.log(0.9)) ** (1 / shape) == pytest.approx(b10, rel=1e-6)


def test_no_failures_yet() -> None:
    # C4, worked by hand: beta 2, five units running
    ages = np.array([500.0, 1000, 1500, 2000, 2500])
    assert zero_failure_scale(ages, 2.0, confidence=0.9) == pytest.approx(2443.6753, rel=1e-6)
    assert np.sqrt(np.sum(ages**2)) == pytest.approx(3708.0992, rel=1e-6)  # 'assume one'
    more = np.array([*ages, 1200, 1800])
    value, lower, _ = weibayes_scale(more, 2, 2.0, level=0.8)
    assert value == pytest.approx(3035.6218, rel=1e-6)
    assert lower == pytest.approx(1860.8534, rel=1e-6)  # one-sided 90 %


def test_a_component_alone_is_the_plain_fit() -> None:
    # the whole way through `fit_lives`: one component with ten events has nobody to learn from
    data = published.nist_units()
    table = pd.DataFrame(
        {
            "family": "F",
            "component": "C",
            "entry_age": data["entry"],
            "lower_age": data["lower"],
            "upper_age": data["upper"],
            "weight": data["weight"],
        }
    )
    fits = fit_lives(table, pd.DataFrame({"family": ["F"], "component": ["C"], "group": ["seal"]}))
    fit = fits.get("F", "C")
    rivals = fits.rivals().set_index("distribution")
    assert set(rivals.index) == {d.name for d in DISTRIBUTIONS}
    assert rivals.loc["weibull", "scale"] == pytest.approx(606.52757, rel=MLE)
    assert rivals.loc["weibull", "log_likelihood"] == pytest.approx(-75.13461816, abs=LOG_LIKELIHOOD)
    assert rivals.loc["exponential", "aicc"] == pytest.approx(155.11138 + 4 / 18, abs=1e-4)
    named = rivals.loc[fit.distribution]
    assert (fit.scale, fit.shape, fit.b10) == pytest.approx((named["scale"], named["shape"], named["b10"]), rel=1e-6)
    assert (fit.events, fit.lives, fit.shrinkage) == (10, 20, 0.0)
    assert fit.b10_lower < fit.b10 < fit.b10_upper
