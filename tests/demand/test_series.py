"""Series methods: against published values and statsforecast."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rebuildstats.demand import series
from rebuildstats.demand.sums import mean_of, sd_of

# D1: lubricants, Hyndman & Athanasopoulos, Forecasting: Principles and Practice, 2nd ed., 12.2
LUBRICANTS = [
    0,
    2,
    0,
    1,
    0,
    11,
    0,
    0,
    0,
    0,
    2,
    0,
    6,
    3,
    0,
    0,
    0,
    0,
    0,
    7,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    3,
    1,
    0,
    0,
    1,
    0,
    1,
    0,
    0,
]
REFERENCE = Path(__file__).parents[1] / "references" / "series_methods.txt"
SAME = 1e-8  # the same arithmetic in another order


def test_sizes_and_intervals_of_the_lubricants() -> None:
    assert series.demand_sizes(LUBRICANTS).tolist() == [2, 1, 11, 2, 6, 3, 7, 3, 1, 1, 1]
    assert series.demand_intervals(LUBRICANTS).tolist() == [2, 2, 2, 5, 2, 1, 6, 8, 1, 3, 2]
    assert series.smoothed(series.demand_sizes(LUBRICANTS), 0.1) == pytest.approx(2.75025384, abs=SAME)
    assert series.smoothed(series.demand_intervals(LUBRICANTS), 0.1) == pytest.approx(2.79328007, abs=SAME)


def test_levels_of_the_lubricants() -> None:
    # D1: R forecast, statsforecast and our own agree
    assert series.croston(LUBRICANTS) == pytest.approx(0.98459652, abs=SAME)
    assert series.sba(LUBRICANTS) == pytest.approx(0.93536670, abs=SAME)
    assert series.tsb(LUBRICANTS) == pytest.approx(0.80406510, abs=SAME)
    assert series.tsb(LUBRICANTS, 0.05, 0.2) == pytest.approx(0.75411225, abs=SAME)


@pytest.mark.parametrize("line", REFERENCE.read_text(encoding="utf-8").splitlines())
def test_same_levels_as_statsforecast(line: str) -> None:
    method, size, chance, level, *values = line.split()
    y = [float(v) for v in values]
    ours = {
        "croston": lambda: series.croston(y, float(size)),
        "sba": lambda: series.sba(y, float(size)),
        "tsb": lambda: series.tsb(y, float(size), float(chance)),
    }[method]()
    assert ours == pytest.approx(float(level), abs=SAME)


def test_demand_classes() -> None:
    # D2: Syntetos, Boylan & Croston 2005; the lubricants are lumpy (interval 3.27, squared variation .80)
    sizes = series.demand_sizes(LUBRICANTS)
    assert len(LUBRICANTS) / sizes.size == pytest.approx(3.2727, abs=1e-4)
    assert sizes.var() / sizes.mean() ** 2 == pytest.approx(0.79778, abs=1e-5)
    assert series.demand_class(LUBRICANTS) == "lumpy"
    assert series.demand_class([4, 5, 4, 5, 4, 5]) == "smooth"
    assert series.demand_class([1, 20, 1, 30, 2, 25]) == "erratic"
    assert series.demand_class([0, 0, 2, 0, 0, 2]) == "intermittent"
    assert series.demand_class([0, 0, 0]) == "none"


def test_a_moving_average_looks_back_a_year() -> None:
    assert series.moving_average([100.0] * 5 + [2.0] * 12) == 2.0
    assert series.moving_average([3.0, 5.0]) == 4.0
    assert series.moving_average([]) == 0.0


@pytest.mark.parametrize("method", series.METHODS)
def test_every_method_has_a_distribution_with_its_mean(method: str) -> None:
    y = np.random.default_rng(3).poisson(3.0, 48)
    one = series.forecast_series(y, method)
    assert mean_of(one.pmf(1)) == pytest.approx(one.level, rel=1e-6)
    assert mean_of(one.pmf(12)) == pytest.approx(12 * one.level, rel=1e-5)
    # months share the level: twelve of them spread more than twelve independent ones
    assert sd_of(one.pmf(12)) ** 2 > 12 * sd_of(one.pmf(1)) ** 2 * 0.999


def test_no_demand_is_a_certain_zero_and_an_unknown_method_is_refused() -> None:
    for method in series.METHODS:
        assert series.forecast_series([0.0] * 20, method).pmf(12)[0] == 1.0
    with pytest.raises(ValueError, match="moving average"):
        series.forecast_series([1.0], "oracle")


def test_pieces_brought_back_lower_the_mean() -> None:
    assert series.forecast_series([2.0] * 11 + [-12.0], "moving average").level == pytest.approx(10.0 / 12.0)


def test_a_discounted_level_is_the_mean_with_its_own_uncertainty() -> None:
    y = np.array([2.0, 0.0, 1.0, 5.0, 0.0, 1.0])
    plain = series.discounted(y, 1.0)
    assert plain.level == pytest.approx(1.5)
    assert plain.variance == pytest.approx(y.var())
    assert plain.level_variance == pytest.approx(y.var() / 6)
    # by hand: weights 1/2 and 1 give (2 x 0.5 + 5) / 1.5, and an effective count of 1.5^2 / 1.25
    two = series.discounted([2.0, 5.0], 0.5)
    assert two.level == pytest.approx(4.0)
    assert two.level_variance == pytest.approx(two.variance * 1.25 / 2.25)
    assert series.discounted([], 1.0).level == 0.0


def test_the_discount_follows_what_wanders_and_rests_on_what_stands() -> None:
    rng = np.random.default_rng(4)
    standing = rng.poisson(3.0, (6, 72)).astype(float)
    wandering = rng.poisson(np.exp(1.0 + np.cumsum(0.25 * rng.standard_normal((6, 72)), axis=1))).astype(float)
    assert series.choose_discount(standing) == 1.0
    assert series.choose_discount(wandering) < 0.95
    assert series.choose_discount(standing[:, :10]) == 1.0
    assert series.choose_discount(np.zeros((3, 40))) == 1.0
