"""Trend tests and the power-law process against worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.fits import trends

# NIST/SEMATECH e-Handbook 8.2.3.4 and 8.4.5.2
NIST = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
# U.S.S. Halfbeak no. 4 main propulsion diesel, thousand hours (Ascher & Feingold 1984; Meeker & Escobar Table 16.4).
# From memory.
HALFBEAK = [
    1.382,
    2.990,
    4.124,
    6.827,
    7.472,
    7.567,
    8.845,
    9.450,
    9.794,
    10.848,
    11.993,
    12.300,
    15.413,
    16.497,
    17.352,
    17.632,
    18.122,
    19.067,
    19.172,
    19.299,
    19.360,
    19.686,
    19.940,
    19.944,
    20.121,
    20.132,
    20.431,
    20.525,
    21.057,
    21.061,
    21.309,
    21.310,
    21.378,
    21.391,
    21.456,
    21.461,
    21.603,
    21.658,
    21.688,
    21.750,
    21.815,
    21.820,
    21.822,
    21.888,
    21.930,
    21.943,
    21.946,
    22.181,
    22.311,
    22.634,
    22.635,
    22.669,
    22.691,
    22.846,
    22.947,
    23.149,
    23.305,
    23.491,
    23.526,
    23.774,
    23.791,
    23.822,
    24.006,
    24.286,
    25.000,
    25.010,
    25.048,
    25.268,
    25.400,
    25.500,
    25.518,
]


def test_nist_trend_tests():
    laplace = trends.laplace_test(NIST, 1500)
    assert laplace.statistic == pytest.approx(-1.3269492, abs=1e-6)
    assert laplace.p_better == pytest.approx(0.0922627, abs=1e-6)
    military = trends.military_handbook_test(NIST, 1500)
    assert (military.statistic, military.degrees) == (pytest.approx(37.22808, abs=1e-5), 20)
    assert military.p_better == pytest.approx(0.0109864, abs=1e-6)
    assert trends.reversals(NIST) == (33, 45)  # as printed on the page, from memory


def test_nist_power_law():
    # NIST apr452.r, with its printed output: 1-b .516494, a .2913003, b .483506, MTBF 310.234, 80 % 157.7138 to
    # 548.5566
    fit = trends.fit_power_law(NIST, 1500, level=0.80)
    assert fit.shape_unbiased == pytest.approx(0.483506, abs=1e-6)
    assert 1 - fit.shape_unbiased == pytest.approx(0.516494, abs=1e-6)
    assert fit.lam_unbiased == pytest.approx(0.2913003, rel=1e-5)
    assert fit.mtbf == pytest.approx(310.234, rel=1e-5)
    assert (fit.mtbf_lower, fit.mtbf_upper) == pytest.approx((157.7138, 548.5566), rel=1e-5)
    # maximum likelihood .5372289, .1966582; exact 90 % limits of the shape (R, Python)
    fit = trends.fit_power_law(NIST, 1500, level=0.90)
    assert (fit.shape, fit.lam) == pytest.approx((0.5372289, 0.1966582), rel=1e-6)
    assert (fit.shape_lower, fit.shape_upper) == pytest.approx((0.2914685, 0.8437296), rel=1e-6)
    assert fit.expected(1500) == pytest.approx(10)
    assert fit.fit_p > 0.1


def test_halfbeak():
    assert len(HALFBEAK) == 71
    fit = trends.fit_power_law(HALFBEAK, 25.518)
    assert (fit.shape, fit.scale) == pytest.approx((2.760340, 5.447326), rel=1e-6)
    log_linear = trends.fit_log_linear(HALFBEAK, 25.518)
    assert (log_linear.a, log_linear.b) == pytest.approx((-1.427567, 0.1493522), rel=1e-5)
    # failure-truncated, the right form here
    assert trends.laplace_test(HALFBEAK).statistic == pytest.approx(7.443086, abs=1e-6)
    military = trends.military_handbook_test(HALFBEAK)
    assert (military.statistic, military.degrees) == (pytest.approx(51.442947, abs=1e-5), 140)
    assert military.p_worse < 1e-6
    # taken as a fixed end
    assert trends.laplace_test(HALFBEAK, 25.518).statistic == pytest.approx(7.596041, abs=1e-6)
    assert trends.military_handbook_test(HALFBEAK, 25.518).degrees == 142


def test_two_failures_say_nothing():
    assert trends.laplace_test([1, 2], 3).reason == "fewer than three failures"
    assert trends.military_handbook_test([1, 2], 3).p_worse == 1
    assert trends.fit_power_law([1, 2], 3).events == 2


def test_shape_limits_cover_and_fit_test_keeps_its_level():
    rng, inside, refused = np.random.default_rng(2), 0, 0
    for _ in range(200):
        n = max(rng.poisson(12), 3)
        ages = 100 * rng.uniform(size=n) ** (1 / 1.5)
        fit = trends.fit_power_law(ages, 100, simulations=200)
        inside += fit.shape_lower <= 1.5 <= fit.shape_upper
        refused += fit.fit_p < 0.1
    assert 0.85 <= inside / 200 <= 0.95
    assert refused / 200 <= 0.16
