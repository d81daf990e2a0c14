"""Does the fitted curve fit? A statement against the non-parametric estimate, and a bent plot said in words.

Under the fit, its cumulative hazard H turns every life into a unit exponential one. Life is cut into bands of H with
about equal numbers of failures, and the hazard of each band is let loose (a piecewise exponential model on the H scale:
Friedman 1982, Annals of Statistics 10:101); the likelihood-ratio statistic against all bands at 1 says whether the
fit is refuted, and the bands that stray say where. Intervals, late entries and running lives take part as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.stats import chi2

from rebuildstats.fits.distributions import Floats
from rebuildstats.fits.turnbull import turnbull

_PER_BAND: Final = 6.0
_MOST_BANDS: Final = 6
_REFUTED: Final = 0.01


@dataclass(frozen=True, slots=True)
class Fitness:
    """How well a curve fits its lives.

    `p_value`: chance of straying as far if the curve were right (NaN with too few failures); `bands` ages at which the
    bands end; `hazard_ratio` (bands): the hazard seen over the fitted; `events`; `worst_age`, `worst_difference`: where
    and by how much the curve's chance lies farthest from Turnbull's estimate; `sentence`: the same in words.
    """

    p_value: float
    bands: Floats
    hazard_ratio: Floats
    events: float
    worst_age: float
    worst_difference: float
    sentence: str


def goodness_of_fit(
    entry: Floats, lower: Floats, upper: Floats, chance: Floats, grid: Floats, weight: Floats | None = None
) -> Fitness:
    """Compare a fitted curve with its lives.

    Parameters
    ----------
    entry, lower, upper, weight : arrays (n)
        The lives.
    chance, grid : arrays (k)
        The curve: chance of having failed by each age of `grid`, rising from age 0 to beyond the oldest life.
    """
    weight = np.ones(len(lower)) if weight is None else weight
    failed = np.isfinite(upper)
    events = float(weight[failed].sum())
    steps = turnbull(entry, lower, upper, weight)
    worst_age, worst = _farthest(steps.left, steps.right, steps.survival, grid, chance)
    bands = int(min(_MOST_BANDS, events // _PER_BAND))
    if bands < 2:
        words = f"{events:.0f} failures are too few to test the curve"
        return Fitness(np.nan, np.zeros(0), np.zeros(0), events, worst_age, worst, words)
    hazard = -np.log1p(-np.minimum(chance, 1.0 - 1e-12))

    def at(age: Floats) -> Floats:
        return np.asarray(np.interp(age, grid, hazard))

    middle = np.where(failed, 0.5 * (lower + np.where(failed, upper, lower)), lower)
    order = np.argsort(middle[failed])
    ranks = np.cumsum(weight[failed][order]) / events
    ends = np.array([middle[failed][order][np.searchsorted(ranks, k / bands)] for k in range(1, bands)])
    ends = np.unique(at(ends))
    ratio, gain = _loosen(
        at(np.nan_to_num(entry)), at(lower), np.where(failed, at(upper), np.inf), lower == upper, weight, ends
    )
    p_value = float(chi2.sf(max(gain, 0.0), max(len(ratio) - 1, 1)))
    ages = np.interp(ends, hazard, grid)
    return Fitness(p_value, ages, ratio, events, worst_age, worst, _words(p_value, ages, ratio))


def _farthest(left: Floats, right: Floats, survival: Floats, grid: Floats, chance: Floats) -> tuple[float, float]:
    """Where the curve lies farthest outside the band that Turnbull's estimate allows."""
    seen = np.isfinite(right)
    if not seen.any():
        return float("nan"), 0.0
    curve_right = np.interp(right[seen], grid, chance)
    after = 1.0 - survival[seen]
    before = np.concatenate([[0.0], after[:-1]])
    curve_left = np.interp(left[seen], grid, chance)
    short, long = after - curve_right, before - curve_left
    far = np.where(short > 0, short, 0.0) + np.where(long < 0, long, 0.0)
    k = int(np.abs(far).argmax())
    return float(right[seen][k]), float(far[k])


def _loosen(
    entry: Floats,
    lower: Floats,
    upper: Floats,
    exact: npt.NDArray[np.bool_],
    weight: Floats,
    ends: Floats,
) -> tuple[Floats, float]:
    """Each band's hazard ratio and twice the gain of log likelihood over all at 1; ages are given as hazards."""
    edges = np.concatenate([[0.0], ends])

    def inside(age: Floats) -> Floats:
        reach = np.append(ends, np.inf)
        return np.asarray(np.clip(np.minimum(age[:, None], reach) - edges, 0.0, None))

    low, high, start = inside(lower), inside(np.where(np.isfinite(upper), upper, lower)), inside(entry)
    failed = np.isfinite(upper)
    between = failed & ~exact & (upper > lower)
    point = failed & ~between
    band = np.clip(np.searchsorted(ends, upper, side="left"), 0, len(ends))

    def minus(log_ratio: Floats) -> tuple[float, Floats]:
        ratio = np.exp(log_ratio)
        first, last = low @ ratio, high @ ratio
        gap = np.maximum(last - first, 1e-12)
        value = weight @ (start @ ratio - first)
        slope = (weight[:, None] * (start - low)).sum(axis=0) * ratio
        w = weight[between]
        value += float(w @ np.log(-np.expm1(-gap[between])))
        grow = w / np.expm1(np.minimum(gap[between], 700.0))
        slope += (grow[:, None] * (high - low)[between]).sum(axis=0) * ratio
        value += float(weight[point] @ log_ratio[band[point]])
        slope += np.bincount(band[point], weight[point], minlength=len(ratio))
        bound = 0.005 * log_ratio
        return -(float(value) - 0.5 * float(bound @ log_ratio)), -(slope - bound)

    zero = np.zeros(len(edges))
    found = minimize(minus, zero, jac=True, method="L-BFGS-B", bounds=[(-6.0, 6.0)] * len(edges))
    return np.exp(found.x), 2.0 * (minus(zero)[0] - float(found.fun))


def _words(p_value: float, ages: Floats, ratio: Floats) -> str:
    if p_value >= _REFUTED:
        return f"the curve agrees with the non-parametric estimate (p = {p_value:.2f})"
    shape = "the plot is bent"
    if ratio[0] > 1.3 and ratio[0] == ratio.max():
        shape = f"more fail before {ages[0]:,.0f} than the curve says: early failures beside wear"
    elif ratio[-1] > 1.3 and ratio[-1] == ratio.max():
        shape = f"more fail after {ages[-1]:,.0f} than the curve says: wear that sets in late"
    elif ratio[-1] < 0.77 and ratio[-1] == ratio.min():
        shape = f"fewer fail after {ages[-1]:,.0f} than the curve says: two kinds of lives, one longer"
    elif 0 < int(ratio.argmax()) < len(ratio) - 1 and ratio.max() > 1.3:
        k = int(ratio.argmax())
        shape = f"more fail between {ages[k - 1]:,.0f} and {ages[k]:,.0f} than the curve says: a mode of its own"
    return f"the curve does not fit (p = {p_value:.1g}): {shape}"
