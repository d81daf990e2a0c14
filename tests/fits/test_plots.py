"""Probability-plot data and the statement of fit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from rebuildstats.fits.fitness import goodness_of_fit
from rebuildstats.fits.life import fit_lives
from rebuildstats.fits.plots import median_ranks, probability_plot
from rebuildstats.fits.results import LifeFit
from tests.fits.fleets_of_lives import inspected

GRID = np.concatenate([[0.0], np.geomspace(100.0, 2e6, 500)])


def watched(ages: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    lower, upper = inspected(rng, ages, exact=True)
    return np.zeros(len(ages)), lower, upper


def test_the_plot_holds_steps_line_and_band() -> None:
    rng = np.random.default_rng(1)
    lower, upper = inspected(rng, 180e3 * rng.weibull(2.5, 150), exact=False)
    lives = pd.DataFrame({"family": "F", "component": "C", "entry_age": 0.0, "lower_age": lower, "upper_age": upper})
    fit = fit_lives(lives, pd.DataFrame({"family": ["F"], "component": ["C"]})).get("F", "C")
    assert isinstance(fit, LifeFit)
    plot = probability_plot(fit, pd.concat([lives, lives.assign(component="another", lower_age=1.0)]))
    assert (plot.events, plot.lives) == (fit.events, fit.lives)
    line = plot.line
    assert ((line["lower"] <= line["chance"]) & (line["chance"] <= line["upper"])).mean() > 0.95
    np.testing.assert_allclose(line["chance"], fit.chance(line["age"].to_numpy()))
    # on its own paper the fitted line is straight over log age
    inside = line[(line["chance"] > 0.001) & (line["chance"] < 0.999)]
    correlation = np.corrcoef(np.log(inside["age"]), plot.axis(inside["chance"].to_numpy()))[0, 1]
    assert correlation == pytest.approx(1.0, abs=1e-9)
    steps = plot.steps
    assert (steps["chance_upper"] >= steps["chance_lower"]).all()
    assert (steps["age_until"] >= steps["age"]).all()
    # where the estimate stands still, it lies near the line
    flat = steps[steps["chance_upper"] - steps["chance_lower"] > 1e-6]
    at = np.interp(flat["age_until"], line["age"], line["chance"])
    assert np.abs(at - flat["chance_upper"]).max() < 0.15
    assert plot.fitness.p_value > 0.01
    assert "agrees" in plot.fitness.sentence


def test_a_right_curve_is_seldom_refuted() -> None:
    rng = np.random.default_rng(2)
    chance = stats.weibull_min(2.5, scale=200e3).cdf(GRID)
    refuted = [
        goodness_of_fit(*watched(200e3 * rng.weibull(2.5, 120), rng), chance, GRID).p_value < 0.05 for _ in range(40)
    ]
    assert np.mean(refuted) < 0.15


def test_intervals_and_late_entries_take_part_as_they_are() -> None:
    rng = np.random.default_rng(3)
    chance = stats.weibull_min(2.5, scale=200e3).cdf(GRID)
    refuted = []
    for _ in range(15):
        ages = 200e3 * rng.weibull(2.5, 150)
        entry = np.where(rng.random(150) < 0.4, 60e3, 0.0)
        lower, upper = inspected(rng, ages, exact=False)
        seen = (ages > entry) & (np.where(np.isnan(upper), lower, upper) > entry)
        lower = np.maximum(lower, entry)
        refuted.append(goodness_of_fit(entry[seen], lower[seen], upper[seen], chance, GRID).p_value < 0.05)
    assert np.mean(refuted) < 0.25


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (
            lambda rng: np.where(rng.random(400) < 0.15, rng.exponential(8e3, 400), 200e3 * rng.weibull(3.0, 400)),
            "early",
        ),
        (lambda rng: 60e3 + 120e3 * rng.weibull(3.0, 400), "does not fit"),
    ],
)
def test_a_bent_plot_is_said_in_words(make, words: str) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(4)
    entry, lower, upper = watched(make(rng), rng)
    chance = stats.weibull_min(1.6, scale=200e3).cdf(GRID)
    found = goodness_of_fit(entry, lower, upper, chance, GRID)
    assert found.p_value < 0.01
    assert words in found.sentence
    assert found.worst_difference != 0
    assert len(found.hazard_ratio) == len(found.bands) + 1


def test_too_few_failures_to_test() -> None:
    found = goodness_of_fit(
        np.zeros(4), np.full(4, 50e3), np.array([50e3, np.nan, np.nan, np.nan]), np.linspace(0, 1, 500), GRID[:500]
    )
    assert np.isnan(found.p_value)
    assert "too few" in found.sentence


def test_median_ranks() -> None:
    # Benard: (i - 0.3) / (n + 0.4); the exact median rank of the first of ten is 1 - 0.5 ** (1 / 10)
    assert median_ranks(10)[0] == pytest.approx(0.7 / 10.4)
    assert median_ranks(10)[0] == pytest.approx(1 - 0.5**0.1, abs=1e-3)
