"""The data of a probability plot: Turnbull's steps, the fitted line and its band; ranks for plots by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import BY_NAME, Floats
from rebuildstats.fits.fitness import Fitness, goodness_of_fit
from rebuildstats.fits.results import LifeFit
from rebuildstats.fits.turnbull import Turnbull, turnbull


@dataclass(frozen=True, slots=True)
class ProbabilityPlot:
    """A fit against its data, ages in the store's unit.

    `steps`: age, age_until, chance_lower, chance_upper (one row per interval of Turnbull's estimate; the estimate is
    known at both ends of a row and rises somewhere between), at_risk, failures. `line`: age, chance, lower, upper
    (two-sided 90 %). `axis` maps a chance to the height on which the named distribution is a straight line over log
    age. `fitness`: the statement of fit. `events`, `lives`.
    """

    steps: pd.DataFrame
    line: pd.DataFrame
    distribution: str
    fitness: Fitness
    events: float
    lives: float

    def axis(self, chance: Floats) -> Floats:
        """Height of a chance (between 0 and 1) on the probability paper of the named distribution."""
        inside = np.clip(np.asarray(chance, dtype=float), 1e-9, 1.0 - 1e-9)
        return BY_NAME[self.distribution].quantile(inside)


def probability_plot(fit: LifeFit, lives: pd.DataFrame, *, points: int = 120, draws: int = 400) -> ProbabilityPlot:
    """The plot of one fit over its lives (rows of the `lives` contract; only those of its family and component
    count).
    """
    rows = lives[lives["family"] == fit.family]
    if fit.component is not None:
        rows = rows[rows["component"] == fit.component]
    entry, lower, upper = (
        rows[c].to_numpy(dtype=float, na_value=np.nan) for c in ("entry_age", "lower_age", "upper_age")
    )
    weight = rows["weight"].to_numpy(dtype=float) if "weight" in rows.columns else np.ones(len(rows))
    steps = turnbull(entry, lower, upper, weight)
    oldest = float(np.nanmax(np.concatenate([lower, upper, [fit.median]])))
    grid = np.geomspace(max(min(fit.b10 / 20.0, oldest / 100.0), 1e-9), oldest * 1.1, points)
    survival = np.exp(fit.draws(draws, 0).log_survival(grid))
    low, high = np.quantile(1.0 - survival, [0.05, 0.95], axis=0)
    chance = fit.chance(grid)
    line = pd.DataFrame({"age": grid, "chance": chance, "lower": low, "upper": high})
    whole = np.concatenate([[0.0], grid])
    fitness = goodness_of_fit(
        np.nan_to_num(entry), np.nan_to_num(lower), upper, np.concatenate([[0.0], chance]), whole, weight
    )
    return ProbabilityPlot(step_frame(steps), line, fit.distribution, fitness, steps.events, steps.lives)


def step_frame(steps: Turnbull) -> pd.DataFrame:
    """Turnbull's estimate as rows: age, age_until, chance_lower (before), chance_upper (after), at_risk, failures."""
    seen = np.isfinite(steps.right)
    after = 1.0 - steps.survival[seen]
    return pd.DataFrame(
        {
            "age": steps.left[seen],
            "age_until": steps.right[seen],
            "chance_lower": np.concatenate([[0.0], after[:-1]]) if len(after) else after,
            "chance_upper": after,
            "at_risk": steps.at_risk[seen],
            "failures": steps.failures[seen],
        }
    )


def median_ranks(count: int) -> Floats:
    """Benard's approximate median ranks (i - 0.3) / (n + 0.4) of `count` lives (Benard & Bos-Levenbach 1953)."""
    return np.asarray((np.arange(1, count + 1) - 0.3) / (count + 0.4))
