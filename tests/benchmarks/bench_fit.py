"""Speed of the life fits, as ratios where there is something to compare with. Prints; asserts nothing.

    python -m tests.benchmarks.bench_fit

1. 5,000 interval-censored lives against lifelines at the same log likelihood. 2. 5,000 components, four distributions
each with AICc and intervals. 3. Turnbull's estimate of 5,000 interval lives. 4. Draws of survival at 100,000 ages.
"""

from __future__ import annotations

import time
import warnings

import lifelines
import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import WEIBULL
from rebuildstats.fits.inference import fit_model
from rebuildstats.fits.life import fit_lives
from rebuildstats.fits.turnbull import turnbull


def interval_lives(count: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper ages of lives looked at every 70,000 from a random beginning."""
    rng = np.random.default_rng(seed)
    ages = 200e3 * rng.weibull(2.5, count)
    begin = rng.uniform(0, 50e3, count)
    turn = np.floor((ages - begin) / 70e3)
    return np.maximum(begin + turn * 70e3, 0.0), begin + (turn + 1) * 70e3


def best_of(times: int, what) -> tuple[float, object]:  # type: ignore[no-untyped-def]
    best, result = np.inf, None
    for _ in range(times):
        begun = time.perf_counter()
        result = what()
        best = min(best, time.perf_counter() - begun)
    return best, result


def main() -> None:
    lower, upper = interval_lives(5000)
    ours, fit = best_of(7, lambda: fit_model(WEIBULL, np.zeros(5000), lower, upper))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs, other = best_of(3, lambda: lifelines.WeibullFitter().fit_interval_censoring(lower, upper))
    print(
        f"5,000 interval lives: {1e3 * ours:.1f} ms, lifelines {1e3 * theirs:.0f} ms: {theirs / ours:.0f} times as fast"
    )
    print(f"  log likelihood {fit.llf:.7f}, lifelines {other.log_likelihood_:.7f}")

    rng = np.random.default_rng(1)
    n = 5000 * 30
    ages = np.repeat(200e3 * np.exp(rng.normal(0, 0.4, 5000)), 30) * rng.weibull(2.3, n)
    looks = rng.uniform(50e3, 200e3, n)
    lives = pd.DataFrame(
        {
            "family": "F",
            "component": np.repeat([f"C{i}" for i in range(5000)], 30),
            "entry_age": 0.0,
            "lower_age": np.where(ages > looks, looks, 0.0),
            "upper_age": np.where(ages > looks, np.nan, looks),
        }
    )
    components = pd.DataFrame({"family": "F", "component": [f"C{i}" for i in range(5000)], "group": "seal"})
    begun = time.perf_counter()
    fits = fit_lives(lives, components)
    print(f"5,000 components, four distributions, intervals: {time.perf_counter() - begun:.0f} s")

    seconds, steps = best_of(1, lambda: turnbull(np.zeros(5000), lower, upper))
    print(f"Turnbull of 5,000 interval lives: {1e3 * seconds:.0f} ms, {len(steps.mass)} intervals")

    draws = fits.get("F", "C7").draws(200, 0)
    many = rng.uniform(0, 400e3, 100_000)
    seconds, _ = best_of(3, lambda: draws.log_survival(many))
    print(f"200 draws at 100,000 ages: {1e3 * seconds:.0f} ms")


if __name__ == "__main__":
    main()
