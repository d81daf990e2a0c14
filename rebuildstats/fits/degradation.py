"""Wear in the forms of the textbooks, beside the quick fits of `fits.gauge`: the full mixed model, quantile bands,
paths to a limit.

Statsmodels does the arithmetic; here the ages are scaled before and the results brought back, and its warnings are
taken as a verdict (a mixed model on raw mileage 'converges' to nonsense).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import statsmodels.api as sm
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.regression.quantile_regression import QuantReg
from statsmodels.tools.sm_exceptions import ConvergenceWarning

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MixedFit:
    """reading = intercept + slope x age + (own intercept + own slope x age) of the unit + error.

    covariance: of own intercept and own slope (own intercept alone: 1 x 1); error_variance; log_likelihood
    (restricted where `restricted`); own: unit, intercept, slope: each unit's predicted departures. All per unit of
    age as given.
    """

    intercept: float
    intercept_error: float
    slope: float
    slope_error: float
    covariance: Array
    error_variance: float
    log_likelihood: float
    restricted: bool
    own: pd.DataFrame
    readings: int
    units: int


@dataclass(frozen=True, slots=True)
class CannotMix:
    """Why no mixed model can be had, with the counts it was asked for."""

    reason: str
    readings: int
    units: int


def fit_mixed(
    age: npt.ArrayLike, reading: npt.ArrayLike, unit: npt.ArrayLike, *, own_slope: bool = True, restricted: bool = True
) -> MixedFit | CannotMix:
    """Linear mixed model of readings on age by unit (Laird & Ware 1982; statsmodels' MixedLM).

    Ages are divided by their largest value inside: variances of slopes on raw mileage are numerically nothing. The
    log-likelihood is brought back too: a restricted one depends on the scale of age, a full one doesn't.
    """
    x, y, names = np.asarray(age, dtype=float), np.asarray(reading, dtype=float), np.asarray(unit).astype(str)
    n, units = len(y), len(np.unique(names))
    if units < 3 or n < units + 3:
        return CannotMix("fewer than three units, or hardly any read twice", n, units)
    scale, spread = float(np.abs(x).max()) or 1.0, float(y.std()) or 1.0
    design = np.column_stack([np.ones(n), x / scale])
    with warnings.catch_warnings():
        warnings.simplefilter("error", ConvergenceWarning)
        warnings.simplefilter("ignore", UserWarning)
        try:
            model = MixedLM(y / spread, design, groups=names, exog_re=design if own_slope else design[:, :1])
            result = model.fit(reml=restricted, method=["lbfgs", "bfgs", "powell"])
        except (ConvergenceWarning, np.linalg.LinAlgError, ValueError) as trouble:
            return CannotMix(f"the likelihood has no clear maximum ({trouble})", n, units)
    turn = np.array([1.0, 1.0 / scale])
    beta, error = np.asarray(result.fe_params) * spread * turn, np.asarray(result.bse_fe) * spread * turn
    back = turn if own_slope else turn[:1]
    covariance = np.asarray(result.cov_re) * spread**2 * np.outer(back, back)
    # readings / spread: n densities; restricted: two fixed effects integrated out, in units of spread and age
    jacobian = -n * np.log(spread) + (2 * np.log(spread) - np.log(scale) if restricted else 0.0)
    own = pd.DataFrame(
        [(name, *(np.asarray(effect) * spread * back)) for name, effect in result.random_effects.items()],
        columns=["unit", "intercept", "slope"][: 1 + len(back)],
    )
    return MixedFit(
        intercept=float(beta[0]),
        intercept_error=float(error[0]),
        slope=float(beta[1]),
        slope_error=float(error[1]),
        covariance=covariance,
        error_variance=float(result.scale) * spread**2,
        log_likelihood=float(result.llf) + float(jacobian),
        restricted=restricted,
        own=own,
        readings=n,
        units=units,
    )


def quantile_lines(
    age: npt.ArrayLike, reading: npt.ArrayLike, shares: tuple[float, ...] = (0.1, 0.5, 0.9)
) -> pd.DataFrame:
    """Straight quantile lines of reading on age (Koenker & Bassett 1978): share, intercept, slope, readings.

    Fitted one by one; where they cross, the lines say that there are too few readings for bands.
    """
    x, y = np.asarray(age, dtype=float), np.asarray(reading, dtype=float)
    scale = float(np.abs(x).max()) or 1.0
    design = np.column_stack([np.ones(len(x)), x / scale])
    rows = []
    for share in shares:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its errors of estimate need a density; only the lines are used here
            fit = QuantReg(y, design).fit(q=share, max_iter=5000, p_tol=1e-10)
        rows.append((share, float(fit.params[0]), float(fit.params[1]) / scale, len(y)))
    return pd.DataFrame(rows, columns=["share", "intercept", "slope", "readings"])


def first_crossings(age: npt.ArrayLike, reading: npt.ArrayLike, unit: npt.ArrayLike, limit: float) -> pd.DataFrame:
    """When each unit's readings first reached `limit` (from below): unit, lower, upper (last below, first at or
    above; nan: not yet).

    A reading within a millionth of the limit counts as at it.
    """
    frame = pd.DataFrame({"unit": unit, "age": age, "reading": reading}).sort_values(["unit", "age"], kind="stable")
    rows = []
    for name, path in frame.groupby("unit", sort=True):
        a, r = path["age"].to_numpy(dtype=float), path["reading"].to_numpy(dtype=float)
        over = np.flatnonzero(r >= limit - 1e-6 * max(abs(limit), 1e-300))
        if len(over):
            rows.append((name, float(a[over[0] - 1]) if over[0] else 0.0, float(a[over[0]])))
        else:
            rows.append((name, float(a[-1]), float("nan")))
    return pd.DataFrame(rows, columns=["unit", "lower", "upper"])


def pseudo_failures(
    age: npt.ArrayLike, reading: npt.ArrayLike, unit: npt.ArrayLike, limit: float, *, log_reading: bool = False
) -> pd.DataFrame:
    """Age at which each unit's own straight line reaches the limit (Meeker & Escobar ch. 13): unit, age, intercept,
    slope, readings.

    log_reading: the line is of log reading. inf where a line doesn't rise. A line is a model: where readings bend it is
    off for everyone in the same direction, which the units that already crossed show (`first_crossings`).
    """
    frame = pd.DataFrame({"unit": unit, "age": age, "reading": reading}).dropna()
    if log_reading:
        frame["reading"] = np.log(frame["reading"])
        limit = float(np.log(limit))
    rows = []
    for name, path in frame.groupby("unit", sort=True):
        if len(path) < 2 or path["age"].nunique() < 2:
            continue
        x, y = path["age"].to_numpy(dtype=float), path["reading"].to_numpy(dtype=float)
        slope = float(((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum())
        intercept = float(y.mean() - slope * x.mean())
        rows.append((name, (limit - intercept) / slope if slope > 0 else float("inf"), intercept, slope, len(path)))
    return pd.DataFrame(rows, columns=["unit", "age", "intercept", "slope", "readings"])


@dataclass(frozen=True, slots=True)
class PairedWear:
    """Mean difference (first less second) of pairs worn together, with its limits, Student's t, degrees of freedom
    and p-value."""

    difference: float
    lower: float
    upper: float
    statistic: float
    degrees: int
    p_value: float
    pairs: int


def paired_wear(first: npt.ArrayLike, second: npt.ArrayLike, level: float = 0.90) -> PairedWear:
    """Two makes worn side by side in the same units: the units' own differences fall out (Student's paired t)."""
    gap = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    gap = gap[np.isfinite(gap)]
    if len(gap) < 2:
        raise ValueError("a paired comparison needs two pairs or more")
    error = float(gap.std(ddof=1) / np.sqrt(len(gap)))
    degrees = len(gap) - 1
    half = float(stats.t.ppf((1 + level) / 2, degrees)) * error
    middle = float(gap.mean())
    t = middle / error if error > 0 else float("inf") * float(np.sign(middle))
    return PairedWear(
        middle, middle - half, middle + half, t, degrees, float(2 * stats.t.sf(abs(t), degrees)), len(gap)
    )


@dataclass(frozen=True, slots=True)
class LogLifeRegression:
    """log life = coefficients x (1, stresses): `coefficients` (name, estimate, error, lower, upper), sigma,
    r_squared, lives."""

    coefficients: pd.DataFrame
    sigma: float
    r_squared: float
    lives: int


def log_life_on(life: npt.ArrayLike, stresses: pd.DataFrame, level: float = 0.90) -> LogLifeRegression:
    """Least squares of log life on stresses for complete lives (Box & Cox 1964 style); censored lives need the life
    fits."""
    y = np.log(np.asarray(life, dtype=float))
    result = sm.OLS(y, sm.add_constant(stresses.to_numpy(dtype=float), has_constant="add")).fit()
    limits = np.asarray(result.conf_int(1 - level))
    table = pd.DataFrame(
        {
            "name": ["constant", *map(str, stresses.columns)],
            "estimate": np.asarray(result.params),
            "error": np.asarray(result.bse),
            "lower": limits[:, 0],
            "upper": limits[:, 1],
        }
    )
    return LogLifeRegression(table, float(np.sqrt(result.scale)), float(result.rsquared), len(y))
