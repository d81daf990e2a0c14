"""Each distribution is a sound record, and a broken one is found out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from rebuildstats.fits.distributions import BY_NAME, DISTRIBUTIONS, LOGNORMAL, WEIBULL, Distribution, faults


@pytest.mark.parametrize("dist", DISTRIBUTIONS, ids=lambda d: d.name)
def test_every_distribution_is_sound(dist: Distribution) -> None:
    assert faults(dist) == []


def test_faults_are_told_as_sentences() -> None:
    broken = replace(WEIBULL, log_survival=LOGNORMAL.log_survival)
    assert any("slope of the survival" in fault for fault in faults(broken))
    assert any("quantile" in fault for fault in faults(broken))
    bent = replace(WEIBULL, density=LOGNORMAL.density, survived=LOGNORMAL.survived, failed=LOGNORMAL.failed)
    assert len(faults(bent)) == 3  # one each
    odd = replace(WEIBULL, log_failed=LOGNORMAL.log_failed)
    assert any("do not make up 1" in fault for fault in faults(odd))


@pytest.mark.parametrize(
    ("name", "scale", "shape", "reference"),
    [
        ("weibull", 120.0, 2.5, stats.weibull_min(2.5, scale=120.0)),
        ("lognormal", 120.0, 0.6, stats.lognorm(0.6, scale=120.0)),
        ("loglogistic", 120.0, 3.0, stats.fisk(3.0, scale=120.0)),
        ("exponential", 120.0, 1.0, stats.expon(scale=120.0)),
    ],
)
def test_scale_and_shape_mean_what_the_contract_says(
    name: str, scale: float, shape: float, reference: stats.rv_continuous
) -> None:
    dist = BY_NAME[name]
    location, sigma = dist.from_scale_shape(scale, shape)
    assert dist.to_scale_shape(location, sigma) == pytest.approx((scale, shape))
    ages = np.array([10.0, 80.0, 120.0, 300.0])
    z = (np.log(ages) - location) / sigma
    np.testing.assert_allclose(dist.log_survival(z), reference.logsf(ages), rtol=1e-10)
    np.testing.assert_allclose(dist.log_density(z) - np.log(sigma * ages), reference.logpdf(ages), rtol=1e-10)
    assert np.exp(location + sigma * dist.z_at(0.1)) == pytest.approx(reference.ppf(0.1))


def test_far_tails_stay_finite() -> None:
    far = np.array([-400.0, -50.0, 50.0, 400.0])
    for dist in DISTRIBUTIONS:
        assert not np.isnan(dist.log_survival(far)).any()
        assert not np.isnan(dist.log_density(far)).any()
