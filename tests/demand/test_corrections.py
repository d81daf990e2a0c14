"""Observed against expected, followed over time."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.corrections import LEAD, STRAY, WANDER, count_by_month, follow, toward_recent


def test_a_model_that_is_right_is_left_alone() -> None:
    rng = np.random.default_rng(1)
    expected = rng.uniform(1.0, 5.0, (10, 48))
    ratios = follow(rng.poisson(expected), expected)
    assert ratios.kept == 1.0
    assert ratios.mean == pytest.approx(np.ones(10), abs=0.2)


def test_a_model_that_is_wrong_is_put_right() -> None:
    rng = np.random.default_rng(2)
    true = np.repeat([0.4, 1.0, 2.5, 1.6], 3)
    expected = rng.uniform(2.0, 5.0, (12, 48))
    ratios = follow(rng.poisson(true[:, None] * expected), expected)
    assert ratios.prior <= 10.0
    assert ratios.mean == pytest.approx(true, rel=0.35)


def test_a_drift_is_followed() -> None:
    rng = np.random.default_rng(3)
    expected = np.full((6, 60), 6.0)
    rising = np.concatenate([np.full(36, 0.6), np.full(24, 1.8)])
    ratios = follow(rng.poisson(rising[None, :] * expected), expected)
    assert ratios.kept < 1.0
    assert ratios.mean == pytest.approx(np.full(6, 1.8), rel=0.25)


def test_the_sum_of_gamma_poisson_is_worked_by_hand_for_one_month() -> None:
    ratios = follow(np.array([[3.0]]), np.array([[2.0]]))
    assert ratios.mean[0] == pytest.approx((ratios.prior + 3.0) / (ratios.prior + 2.0))


def test_draws_keep_the_mean_and_never_less_than_the_stray() -> None:
    ratios = follow(np.full((1, 60), 400.0), np.full((1, 60), 400.0))
    drawn = ratios.draws(20_000, np.random.default_rng(4), ahead=12)
    assert drawn.mean() == pytest.approx(1.0, abs=0.01)
    assert drawn.std() >= STRAY * 0.97
    own = ratios.draws(20_000, np.random.default_rng(4), ahead=12, stray=np.array([0.3]))
    assert own.std() == pytest.approx(0.3, rel=0.05)


def test_nothing_seen_is_no_correction() -> None:
    ratios = follow(np.zeros((3, 0)), np.zeros((3, 0)))
    assert ratios.mean.tolist() == [1.0, 1.0, 1.0]


def test_counting_by_month_leaves_out_what_lies_outside() -> None:
    months = pd.period_range("2024-01", periods=3, freq="M")
    dates = pd.Series(pd.to_datetime(["2023-12-31", "2024-01-01", "2024-01-31", "2024-03-02", None]))
    assert count_by_month(dates, months).tolist() == [2.0, 0.0, 1.0]


def test_two_forecasts_are_weighed_by_their_variances() -> None:
    # by hand: 96 pieces in two years are 4 a month against a forecast of 8; 3 lots of belief in the forecast
    recent = np.full(24, 4.0)
    own = (96.0 + 3.0) / (24.0 + 3.0 / 8.0)
    weight = LEAD**2 / (LEAD**2 + 1.0 / 99.0 + WANDER**2)
    pull = toward_recent(8.0, recent, 1.0, 1.0)
    assert pull.weight == pytest.approx(weight)
    assert pull.factor == pytest.approx((own / 8.0) ** weight)


def test_what_is_seldom_taken_moves_it_less_and_what_is_booked_not_at_all() -> None:
    often, rare = np.full(24, 40.0), np.r_[np.zeros(23), 1.0]
    much, little = toward_recent(80.0, often, 1.0, 1.0), toward_recent(0.05, rare, 1.0, 1.0)
    assert little.weight < 0.1 < much.weight < 0.5
    assert much.factor < 1.0
    # forty pieces at once tell no more than one
    assert toward_recent(80.0, often, 40.0, 1.0).weight < much.weight
    assert toward_recent(80.0, often, 1.0, 0.0).factor == 1.0
    assert toward_recent(80.0, np.zeros(0), 1.0, 1.0).factor == 1.0
