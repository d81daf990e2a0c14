"""Speed of the life fits, as ratios where there is something to compare with. Prints; asserts nothing.

    python -m tests.benchmarks.bench_fit

1. 5,000 interval-censored lives against lifelines and, where R is installed, against survreg of its `survival`, at the
same log likelihood. 2. 5,000 components, four distributions each with AICc and intervals. 3. Turnbull's estimate of
interval lives against lifelines' (which needs minutes for 5,000: `python -m tests.benchmarks.bench_fit 5000`), with the
log likelihood of each. 4. Draws of survival at 100,000 ages.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import WEIBULL
from rebuildstats.fits.inference import fit_model
from rebuildstats.fits.life import fit_lives
from rebuildstats.fits.turnbull import turnbull

SURVREG = """
suppressMessages(library(survival))
lives <- read.csv(commandArgs(TRUE)[1])
low <- ifelse(lives$lower <= 0, NA, lives$lower)
best <- Inf
for (i in 1:7) {
  used <- system.time(for (k in 1:10) fit <- survreg(Surv(low, lives$upper, type = "interval2") ~ 1, dist = "weibull"))
  best <- min(best, used[["elapsed"]] / 10)
}
cat(best, format(fit$loglik[1], digits = 12))
"""


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


def seconds_of_survreg(lower: np.ndarray, upper: np.ndarray) -> tuple[float, float] | None:
    """Seconds of one fit by R's survreg, timed within R, and its log likelihood; None where R or `survival` is not."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as name:
        table, script = Path(name) / "lives.csv", Path(name) / "fit.R"
        pd.DataFrame({"lower": lower, "upper": upper}).to_csv(table, index=False)
        script.write_text(SURVREG)
        done = subprocess.run(["Rscript", str(script), str(table)], capture_output=True, text=True, check=False)
    if done.returncode:
        return None
    seconds, value = done.stdout.split()
    return float(seconds), float(value)


def log_likelihood_of(steps: pd.Series, lower: np.ndarray, upper: np.ndarray) -> float:
    """Of interval lives under a survival function given as steps."""
    at, survival = steps.index.to_numpy(float), steps.to_numpy(float)

    def after(age: np.ndarray) -> np.ndarray:
        return np.where(age <= 0, 1.0, survival[np.maximum(np.searchsorted(at, age, side="right") - 1, 0)])

    return float(np.log(np.maximum(after(lower) - after(upper), 1e-300)).sum())


def compare_turnbull(count: int) -> None:
    lower, upper = interval_lives(count)
    ours, steps = best_of(3, lambda: turnbull(np.zeros(count), lower, upper))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs, other = best_of(1, lambda: lifelines.KaplanMeierFitter().fit_interval_censoring(lower, upper))
    print(
        f"Turnbull of {count:,} interval lives: {1e3 * ours:.0f} ms, {len(steps.mass)} intervals, "
        f"lifelines {theirs:.1f} s: {theirs / ours:.0f} times as fast"
    )
    # within an interval of theirs the mass may stand at either end; ties decide at which one it fits these lives
    reached = max(log_likelihood_of(steps_of, lower, upper) for _, steps_of in other.survival_function_.items())
    print(f"  log likelihood {steps.log_likelihood:.4f}, lifelines {reached:.4f}")


def main(turnbull_of: int = 1000) -> None:
    lower, upper = interval_lives(5000)
    ours, fit = best_of(7, lambda: fit_model(WEIBULL, np.zeros(5000), lower, upper))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs, other = best_of(3, lambda: lifelines.WeibullFitter().fit_interval_censoring(lower, upper))
    print(
        f"5,000 interval lives: {1e3 * ours:.1f} ms, lifelines {1e3 * theirs:.0f} ms: {theirs / ours:.0f} times as fast"
    )
    print(f"  log likelihood {fit.llf:.7f}, lifelines {other.log_likelihood_:.7f}")
    in_r = seconds_of_survreg(lower, upper)
    print(
        f"  survreg {1e3 * in_r[0]:.1f} ms: {in_r[0] / ours:.1f} times as fast, log likelihood {in_r[1]:.7f}"
        if in_r
        else "  R with its survival package is not installed here: survreg not timed"
    )

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

    compare_turnbull(turnbull_of)

    draws = fits.get("F", "C7").draws(200, 0)
    many = rng.uniform(0, 400e3, 100_000)
    seconds, _ = best_of(3, lambda: draws.log_survival(many))
    print(f"200 draws at 100,000 ages: {1e3 * seconds:.0f} ms")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
