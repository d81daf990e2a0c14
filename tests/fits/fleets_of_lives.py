"""Small random fleets as lives tables with known truth, for the tests of the life fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class FleetOfLives:
    """`lives` by the contract, `components`, and `truth`: family, component, true_b10, true_median."""

    lives: pd.DataFrame
    components: pd.DataFrame
    truth: pd.DataFrame


def inspected(rng: np.random.Generator, ages: np.ndarray, *, exact: bool) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper ages of lives that fail at `ages`, looked at twice, or watched (`exact`) to the second look."""
    first = rng.uniform(20_000, 120_000, len(ages))
    second = first + rng.uniform(30_000, 100_000, len(ages))
    if exact:
        return np.minimum(ages, second), np.where(ages > second, np.nan, ages)
    lower = np.where(ages > second, second, np.where(ages > first, first, 0.0))
    upper = np.where(ages > second, np.nan, np.where(ages > first, second, first))
    return lower, upper


def fleet_of_lives(
    seed: int,
    *,
    components: int = 24,
    groups: int = 3,
    smallest: int = 6,
    largest: int = 60,
    duties: bool = False,
    typical: float = 220_000.0,
) -> FleetOfLives:
    """Weibull lives whose scale and shape vary about their group's; every fourth component shows in service."""
    rng = np.random.default_rng([seed, 11])
    group_scale = rng.normal(np.log(typical), 0.2, groups)
    group_shape = rng.normal(np.log(2.4), 0.2, groups)
    lives, rows, truth = [], [], []
    for i in range(components):
        family, component, group = f"F{i % 4}", f"C{i:03d}", i % groups
        scale = float(np.exp(rng.normal(group_scale[group], 0.3)))
        shape = float(np.exp(rng.normal(group_shape[group], 0.15)))
        n = int(rng.integers(smallest, largest))
        ages = scale * rng.weibull(shape, n)
        harsh = rng.random(n) < 0.4
        if duties:
            ages = np.where(harsh, ages / 1.7, ages)
        exact = i % 4 == 0
        lower, upper = inspected(rng, ages, exact=exact)
        lives.append(
            pd.DataFrame(
                {
                    "family": family,
                    "component": component,
                    "position": 1,
                    "unit": [f"U{k}" for k in range(n)],
                    "number": 1,
                    "entry_age": 0.0,
                    "lower_age": lower,
                    "upper_age": upper,
                    "part": "P1",
                    "site": "north",
                    "duty": np.where(harsh, "quarry", "road"),
                    "shows": "in_service" if exact else "at_teardown",
                }
            )
        )
        rows.append((family, component, f"group {group}"))
        quantiles = [scale * (-np.log1p(-p)) ** (1 / shape) for p in (0.1, 0.5)]
        truth.append((family, component, *quantiles))
    return FleetOfLives(
        pd.concat(lives, ignore_index=True).astype({"duty": "str"}),
        pd.DataFrame(rows, columns=["family", "component", "group"]),
        pd.DataFrame(truth, columns=["family", "component", "true_b10", "true_median"]),
    )
