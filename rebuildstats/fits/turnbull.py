"""The non-parametric estimate behind every fit: Turnbull's for any mix of exact, interval, right-censored,
late-entered lives.

Mass can only lie on the innermost intervals: those between a left end and the next right end with no other end between
(Turnbull 1976, JRSS B 38:290; with late entry the entries count as right ends too: Frydman 1994, JRSS B 56:71).
Intervals are half open, (left, right]: a failure found at an age counts before a life that is still good at that age.

The estimate is found on the discrete hazards of those intervals (`fits.npmle`): a life that has not failed, and a late
entry, need no guessing there, so that without interval lives it is Kaplan and Meier's estimate at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.distributions import Floats
from rebuildstats.fits.likelihood import clean
from rebuildstats.fits.npmle import Cells, expect, highest, survival_limits

Bools = npt.NDArray[np.bool_]

# the places at one age, in order: just before it (an exact failure's left end), at it (right ends, entries), just
# after it
_BEFORE, _AT, _AFTER = 0, 1, 2
_FINE: Final = 250


@dataclass(frozen=True, slots=True)
class Turnbull:
    """Mass on intervals: `left`, `right` (k; right inf for the mass never seen to fail), `mass`, `hazard` (mass over
    the survival before it), `at_risk` and `failures` (expected numbers), `log_likelihood`, `events`, `lives`."""

    left: Floats
    right: Floats
    mass: Floats
    hazard: Floats
    at_risk: Floats
    failures: Floats
    log_likelihood: float
    events: float
    lives: float
    exact_only: bool

    @property
    def survival(self) -> Floats:
        """Survival after each interval (k)."""
        return np.asarray(np.maximum(1.0 - np.cumsum(self.mass), 0.0))

    @property
    def standard_error(self) -> Floats:
        """Greenwood's standard error of the survival (k); NaN where there are interval lives, for which it does not
        hold.
        """
        if not self.exact_only:
            return np.full(len(self.mass), np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            terms = self.failures / (self.at_risk * (self.at_risk - self.failures))
        return np.asarray(self.survival * np.sqrt(np.cumsum(terms)))

    def survival_at(self, age: Floats) -> tuple[Floats, Floats]:
        """Highest and lowest survival the estimate allows at each age; they differ inside an interval with mass."""
        after = np.concatenate([[1.0], self.survival])
        ended = np.searchsorted(self.right, age, side="right")
        begun = np.searchsorted(self.left, age, side="left")
        return after[ended], after[np.maximum(begun, ended)]

    def frame(self) -> pd.DataFrame:
        """Columns left, right (ages), mass, survival, standard_error, at_risk, failures."""
        return pd.DataFrame(
            {
                "left": self.left,
                "right": self.right,
                "mass": self.mass,
                "survival": self.survival,
                "standard_error": self.standard_error,
                "at_risk": self.at_risk,
                "failures": self.failures,
            }
        )


def turnbull(entry: Floats, lower: Floats, upper: Floats, weight: Floats | None = None) -> Turnbull:
    """Turnbull's estimate of survival.

    Parameters
    ----------
    entry, lower, upper, weight : arrays (n)
        As in the `lives` contract: `upper` NaN or inf where the life has not failed, equal to `lower` where exact.
    """
    entry, lower, top, failed, weight = _telling(entry, lower, upper, weight)
    exact = failed & (lower >= top)
    cells = _cells(entry, lower, top, failed, exact, weight)
    hazard = highest(cells)
    failures, at_risk, value = expect(cells, hazard)
    before = np.concatenate([[1.0], np.cumprod(1.0 - hazard)[:-1]])
    mass = before * hazard
    left, right = cells.left, cells.right
    rest = float(np.prod(1.0 - hazard))
    if rest > 1e-12:
        beyond = max(float(lower[~failed].max()) if (~failed).any() else 0.0, float(right.max()) if len(right) else 0.0)
        left, right = np.append(left, beyond), np.append(right, np.inf)
        mass, hazard = np.append(mass, rest), np.append(hazard, 1.0)
        at_risk, failures = np.append(at_risk, 0.0), np.append(failures, 0.0)
    return Turnbull(
        left,
        right,
        mass,
        hazard,
        at_risk,
        failures,
        value,
        float(weight[failed].sum()),
        float(weight.sum()),
        bool(exact[failed].all()),
    )


def _telling(
    entry: Floats, lower: Floats, upper: Floats, weight: Floats | None
) -> tuple[Floats, Floats, Floats, Bools, Floats]:
    """Entry, lower age, last age, whether it failed, and weight of the lives that say something."""
    weight = np.ones(len(lower)) if weight is None else np.asarray(weight, dtype=float)
    entry, lower, top, failed, says = clean(entry, lower, upper, weight)
    return entry[says], lower[says], top[says], failed[says], weight[says]


def turnbull_limits(
    entry: Floats, lower: Floats, upper: Floats, weight: Floats | None = None, *, level: float = 0.9, most: int = 12
) -> pd.DataFrame:
    """Limits of survival by profile likelihood at the ends of up to `most` intervals that hold failures.

    Arguments as of `turnbull`. Columns age, survival, survival_lower, survival_upper (two-sided `level`); ages spread
    evenly over the fall of survival. With failures between looks the limits lie on the safe side. Where there are more
    than a few hundred different ages they are first taken down to a grid as fine as a picture shows.
    """
    entry, lower, top, failed, weight = _telling(entry, lower, upper, weight)
    between = failed & (lower < top)
    if between.any():
        ends = np.unique(np.quantile(top[failed], np.linspace(0.0, 1.0, _FINE), method="inverted_cdf"))
        if len(np.unique(top[failed])) > _FINE:
            grid = np.concatenate([[0.0], ends])
            entry, lower, top = (grid[np.searchsorted(grid, age, side="right") - 1] for age in (entry, lower, top))
            # what the grid takes to age 0 failed within its first step
            top = np.where(top > entry, top, np.where(failed, ends[0], top))
            entry, lower = np.minimum(entry, np.where(entry >= top, 0.0, entry)), np.minimum(lower, top)
            alike = pd.DataFrame({"e": entry, "l": lower, "t": np.where(failed, top, np.inf), "w": weight})
            one = alike.groupby(["e", "l", "t"], sort=True)["w"].sum().reset_index().to_numpy()
            entry, lower, top, failed, weight = _telling(*one.T)
    cells = _cells(entry, lower, top, failed, failed & (lower >= top), weight)
    hazard = highest(cells)
    survival = np.cumprod(1.0 - hazard)
    held = np.flatnonzero(hazard > 1e-9)
    if len(held) > most:
        wanted = np.linspace(survival[held[0]], survival[held[-1]], most)
        held = np.unique(held[[int(np.abs(survival[held] - s).argmin()) for s in wanted]])
    found = [survival_limits(cells, hazard, int(cell) + 1, level) for cell in held]
    low, high = (np.array([one[side] for one in found]) for side in (0, 1))
    return pd.DataFrame(
        {"age": cells.right[held], "survival": survival[held], "survival_lower": low, "survival_upper": high}
    )


def _key(age: Floats | npt.NDArray[np.int64], place: int | npt.NDArray[np.int64]) -> Floats:
    """Ends in one order: by age, then place; ages are first replaced by their rank, so that the key is exact."""
    return np.asarray(3.0 * age + place)


def _cells(entry: Floats, lower: Floats, top: Floats, failed: Bools, exact: Bools, weight: Floats) -> Cells:
    ages, ranks = np.unique(np.concatenate([[0.0], entry, lower, top]), return_inverse=True)
    n = len(entry)
    entry_rank, lower_rank, top_rank = ranks[1 : n + 1], ranks[n + 1 : 2 * n + 1], ranks[2 * n + 1 :]
    start = _key(np.where(exact, top_rank, lower_rank), np.where(exact, _BEFORE, _AFTER))
    end = _key(top_rank, _AT)
    entered = _key(entry_rank, _AT)
    late = entry > 0
    lefts = np.unique(start)
    rights = np.unique(np.concatenate([end[failed], entered[late]]))
    # an innermost interval: a left end whose next end of any kind is a right one
    next_right = np.searchsorted(rights, lefts)
    has = next_right < len(rights)
    lefts, next_right = lefts[has], next_right[has]
    right_of = rights[next_right]
    inner = (
        np.append(np.searchsorted(lefts, right_of[:-1]) == np.arange(1, len(lefts)), True) if len(lefts) else has[:0]
    )
    left_key, right_key = lefts[inner], right_of[inner]
    first = np.searchsorted(left_key, start[failed])
    last = np.searchsorted(right_key, end[failed], side="right") - 1
    until = np.where(failed, 0.0, _key(lower_rank, _AFTER))
    starts = np.searchsorted(left_key, entered)
    risk_ends = np.searchsorted(right_key, until)
    risk_ends[failed] = first
    k = len(left_key)
    spans = [
        (starts, weight, 1.0),
        (risk_ends, weight, -1.0),
        (first, weight[failed], 1.0),
        (last + 1, weight[failed], -1.0),
    ]
    certain = np.zeros(k + 1)
    for places, amount, sign in spans:
        certain += sign * np.bincount(places, amount, k + 1)
    stay = np.bincount(risk_ends[~failed], weight[~failed], k + 1) - np.bincount(starts, weight, k + 1)
    return Cells(
        ages[(left_key // 3).astype(np.int64)],
        ages[(right_key // 3).astype(np.int64)],
        first.astype(np.int64),
        last.astype(np.int64),
        weight[failed],
        np.asarray(np.cumsum(certain)[:k]),
        np.asarray(stay, dtype=np.float64),
    )
