"""The non-parametric estimate behind every fit: Turnbull's for any mix of exact, interval, right-censored,
late-entered lives.

Mass can only lie on the innermost intervals: those between a left end and the next right end with no other end between
(Turnbull 1976, JRSS B 38:290; with late entry the entries count as right ends too: Frydman 1994, JRSS B 56:71).
Intervals are half open, (left, right]: a failure found at an age counts before a life that is still good at that age.

The estimate is found by EM on the discrete hazards of those intervals: a life that has not failed, and a late entry,
need no guessing there, so that without interval lives one step gives Kaplan and Meier's estimate. Steps are
lengthened by the squared extrapolation of Varadhan & Roland 2008, Scandinavian J. Statistics 35:335.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.distributions import Floats
from rebuildstats.fits.likelihood import Ints

Bools = npt.NDArray[np.bool_]

_MOST: Final = 5000
# the search ends when this many steps have not raised the log likelihood by more than this part of it
_LOOK: Final = 20
_DONE: Final = 1e-11
# the places at one age, in order: just before it (an exact failure's left end), at it (right ends, entries), just
# after it
_BEFORE, _AT, _AFTER = 0, 1, 2


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


@dataclass(frozen=True, slots=True)
class _Cells:
    """The innermost intervals (k). Of each failed life: the `first` and `last` it may lie in, and its weight. `certain`
    (k): weight of all lives that are in an interval or live through it; `stay_weight` (k + 1): how often the log
    survival after 0, 1, ... intervals stands in the likelihood, for lives that have not failed (plus) and late
    entries (minus)."""

    left: Floats
    right: Floats
    first: Ints
    last: Ints
    failed_weight: Floats
    certain: Floats
    stay_weight: Floats


def turnbull(entry: Floats, lower: Floats, upper: Floats, weight: Floats | None = None) -> Turnbull:
    """Turnbull's estimate of survival.

    Parameters
    ----------
    entry, lower, upper, weight : arrays (n)
        As in the `lives` contract: `upper` NaN or inf where the life has not failed, equal to `lower` where exact.
    """
    weight = np.ones(len(lower)) if weight is None else np.asarray(weight, dtype=float)
    entry = np.where(np.isfinite(entry), np.maximum(entry, 0.0), 0.0)
    lower = np.where(np.isfinite(lower), np.maximum(lower, 0.0), 0.0)
    failed = np.isfinite(upper)
    top = np.where(failed, upper, lower)
    entry = np.where(failed & (entry >= top), 0.0, entry)
    lower = np.where(failed, np.minimum(np.maximum(lower, entry), top), lower)
    says = (weight > 0) & (top > entry)
    entry, lower, top, failed, weight = entry[says], lower[says], top[says], failed[says], weight[says]
    exact = failed & (lower >= top)
    cells = _cells(entry, lower, top, failed, exact, weight)
    hazard = _climb(cells)
    failures, at_risk, value = _expect(cells, hazard)
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


def _key(age: Floats | Ints, place: int | Ints) -> Floats:
    """Ends in one order: by age, then place; ages are first replaced by their rank, so that the key is exact."""
    return np.asarray(3.0 * age + place)


def _cells(entry: Floats, lower: Floats, top: Floats, failed: Bools, exact: Bools, weight: Floats) -> _Cells:
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
    return _Cells(
        ages[(left_key // 3).astype(np.int64)],
        ages[(right_key // 3).astype(np.int64)],
        first.astype(np.int64),
        last.astype(np.int64),
        weight[failed],
        np.asarray(np.cumsum(certain)[:k]),
        np.asarray(stay, dtype=np.float64),
    )


def _expect(cells: _Cells, hazard: Floats) -> tuple[Floats, Floats, float]:
    """Expected failures and numbers at risk per interval under the hazards, and the log likelihood there."""
    with np.errstate(divide="ignore"):
        log_stay = np.concatenate([[0.0], np.cumsum(np.log1p(-hazard))])
    mass = np.exp(log_stay[:-1]) * hazard
    total = np.concatenate([[0.0], np.cumsum(mass)])
    inside = np.maximum(total[cells.last + 1] - total[cells.first], 1e-300)
    share = cells.failed_weight / inside
    per_mass = np.maximum(_over(cells, share), 0.0)
    failures = per_mass * mass
    # a life inside its interval is at risk with what of it was not expected to have failed there already
    gone = per_mass * total[:-1] - _over(cells, share * total[cells.first])
    at_risk = np.maximum(cells.certain - gone, failures)
    log_stay = np.maximum(log_stay, -1e6)
    value = float(cells.failed_weight @ np.log(inside) + cells.stay_weight @ log_stay)
    return failures, at_risk, value


def _over(cells: _Cells, values: Floats) -> Floats:
    """Per interval the sum of the values of the failed lives that may lie in it."""
    k = len(cells.left)
    ends = np.bincount(cells.first, values, k + 1) - np.bincount(cells.last + 1, values, k + 1)
    return np.asarray(np.cumsum(ends)[:k])


def _climb(cells: _Cells) -> Floats:
    """EM with squared extrapolation from hazards that share every life's weight evenly over its intervals."""
    k = len(cells.left)
    if k == 0:
        return np.zeros(0)
    hazard: Floats = np.clip(1.0 / (np.arange(k, 0, -1) + 1.0), 0.0, 0.5)

    def step(at: Floats) -> tuple[Floats, float]:
        failures, at_risk, value = _expect(cells, at)
        new: Floats = np.where(at_risk > 0, np.minimum(failures / np.maximum(at_risk, 1e-300), 1.0), 0.0)
        return new, value

    marked = -np.inf
    for turn in range(_MOST):
        one, value = step(hazard)
        if turn % _LOOK == 0:
            if value - marked < _DONE * (1.0 + abs(value)):
                return one
            marked = value
        two, _ = step(one)
        change, bend = one - hazard, (two - one) - (one - hazard)
        hazard = two
        length = -np.sqrt(float(change @ change) / max(float(bend @ bend), 1e-300))
        if length < -1.0:
            jump = np.clip(one - change - 2.0 * length * change + length * length * bend, 1e-14, 1.0 - 1e-14)
            jump = np.where((two <= 0) | (two >= 1), two, jump)
            settled, jump_value = step(jump)
            if np.isfinite(jump_value) and jump_value >= value:
                hazard = settled
    return hazard
