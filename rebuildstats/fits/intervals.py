"""Intervals of a life: Wald on the log scale, by profile likelihood, and the closed forms with the shape given.

Wald and likelihood-ratio intervals differ widely in small samples; both are given, never one for the other
(Meeker, Escobar & Pascual 2022, ch. 8).
"""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from rebuildstats.fits.distributions import Floats


def weibayes_scale(
    ages: Floats, events: float, shape: float, *, weight: Floats | None = None, level: float = 0.95
) -> tuple[float, float, float]:
    """Weibull scale with the shape given: (estimate, lower, upper), two-sided at `level`.

    (sum of age ** shape / events) ** (1 / shape); the interval by chi-square with 2 r + 2 degrees of freedom below (the
    data stop at a time, not at a failure) and 2 r above (Nelson 1985, J. Quality Technology 17:140; Abernethy's
    handbook). `ages`: of failed and of good ones alike.
    """
    weight = np.ones(len(ages)) if weight is None else weight
    total = float(np.sum(weight * np.asarray(ages, dtype=float) ** shape))
    tail = 0.5 * (1.0 - level)
    lower = (2.0 * total / chi2.ppf(1.0 - tail, 2.0 * events + 2.0)) ** (1.0 / shape)
    if events <= 0:
        return float("nan"), float(lower), float("inf")
    upper = (2.0 * total / chi2.ppf(tail, 2.0 * events)) ** (1.0 / shape)
    return float((total / events) ** (1.0 / shape)), float(lower), float(upper)


def zero_failure_scale(ages: Floats, shape: float, *, weight: Floats | None = None, confidence: float = 0.9) -> float:
    """One-sided lower bound of the Weibull scale when nothing has failed (Nelson 1985)."""
    weight = np.ones(len(ages)) if weight is None else weight
    total = float(np.sum(weight * np.asarray(ages, dtype=float) ** shape))
    return float((total / -np.log(1.0 - confidence)) ** (1.0 / shape))
