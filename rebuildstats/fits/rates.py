"""Failure rates: events per distance with exact bounds, ratios of observed to expected, comparison, regression.

Sources: NIST/SEMATECH e-Handbook 8.4.5 (chi-square bounds), Garwood (1936), Lancaster (1961, mid-P), Gu et al. (2008,
two rates), Cameron & Trivedi (1990, test of overdispersion). Rates are events per unit of exposure unless a name says
`per_100000`.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import statsmodels.api as sm
from scipy import optimize, special, stats
from statsmodels.tools.sm_exceptions import PerfectSeparationWarning

Array = npt.NDArray[np.float64]
PER = 100_000.0


def exact_rate_interval(events: npt.ArrayLike, exposure: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """Garwood's exact Poisson limits by chi-square quantiles; with no event the lower limit is 0 and the upper
    two-sided."""
    r, t = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(exposure, dtype=float))
    tail = (1 - level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = np.where(r > 0, stats.chi2.ppf(tail, np.maximum(2 * r, 1e-9)) / 2 / t, 0.0)
        upper = stats.chi2.ppf(1 - tail, 2 * r + 2) / 2 / t
    return lower, upper


def score_rate_interval(events: float, exposure: float, level: float = 0.90) -> tuple[float, float]:
    """Limits by inverting the score test of a Poisson rate."""
    z = float(stats.norm.ppf((1 + level) / 2))
    middle = (events + z * z / 2) / exposure
    half = z * np.sqrt(events + z * z / 4) / exposure
    return float(middle - half), float(middle + half)


def jeffreys_rate_interval(events: npt.ArrayLike, exposure: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """Equal-tailed limits under the prior proportional to rate^(-1/2): a gamma with shape events + 1/2."""
    r, t = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(exposure, dtype=float))
    tail = (1 - level) / 2
    return stats.gamma.ppf(tail, r + 0.5) / t, stats.gamma.ppf(1 - tail, r + 0.5) / t


def mid_p_count_interval(events: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """Mid-P limits of a Poisson mean, for arrays of counts, by bisection of all of them at once."""
    r = np.atleast_1d(np.asarray(events, dtype=float))
    tail = (1 - level) / 2
    exact_low, exact_high = exact_rate_interval(r, 1.0, level + (1 - level) / 4)

    def solve(low: Array, high: Array, rising: bool) -> Array:
        for _ in range(80):
            middle = (low + high) / 2
            half = 0.5 * stats.poisson.pmf(r, middle)
            mass = stats.poisson.sf(r, middle) + half if rising else stats.poisson.cdf(r - 1, middle) + half
            # the upper tail rises with the mean, the lower one falls
            go_up = mass < tail if rising else mass > tail
            low, high = np.where(go_up, middle, low), np.where(go_up, high, middle)
        return (low + high) / 2

    lower = np.where(r > 0, solve(exact_low * 0.5, r + 1.0, True), 0.0)
    upper = solve(np.maximum(r - 1, 0.0), exact_high * 1.5 + 1.0, False)
    return lower, upper


def mid_p_rate_interval(events: npt.ArrayLike, exposure: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """Mid-P limits of a Poisson rate."""
    lower, upper = mid_p_count_interval(events, level)
    t = np.asarray(exposure, dtype=float)
    return lower / t, upper / t


def mtbf_interval(events: int, exposure: float, level: float = 0.90) -> tuple[float, float]:
    """Bounds of the mean distance between failures, time-truncated (NIST 8.4.5.1).

    With no failure the lower bound is the one-sided exposure / -ln(1 - level) of the same page and the upper is
    infinite.
    """
    if events == 0:
        return float(exposure / -np.log(1 - level)), float("inf")
    low, high = mtbf_factors(events, level)
    return low * exposure / events, high * exposure / events


def mtbf_factors(events: int, level: float = 0.90) -> tuple[float, float]:
    """The factors by which exposure / events is multiplied to get its two bounds (NIST 8.4.5.1)."""
    tail = (1 - level) / 2
    low = 2 * events / stats.chi2.ppf(1 - tail, 2 * events + 2)
    high = 2 * events / stats.chi2.ppf(tail, 2 * events)
    return float(low), float(high)


def mean_life_interval(lives: npt.ArrayLike, level: float = 0.90) -> tuple[float, float, float]:
    """Mean of complete exponential lives with its exact limits (failure-truncated, chi-square on 2n degrees of
    freedom)."""
    x = np.asarray(lives, dtype=float)
    total, n, tail = float(x.sum()), len(x), (1 - level) / 2
    return total / n, 2 * total / float(stats.chi2.ppf(1 - tail, 2 * n)), 2 * total / float(stats.chi2.ppf(tail, 2 * n))


# --- observed against expected ---------------------------------------------------------------------------------------


def mid_p_value(observed: npt.ArrayLike, expected: npt.ArrayLike) -> Array:
    """Two-sided mid-P value of a Poisson count against its expectation: twice the smaller tail, at most 1."""
    o, e = np.broadcast_arrays(np.asarray(observed, dtype=float), np.asarray(expected, dtype=float))
    half = 0.5 * stats.poisson.pmf(o, e)
    smaller = np.minimum(stats.poisson.sf(o, e) + half, stats.poisson.cdf(o - 1, e) + half)
    return np.asarray(np.minimum(1.0, 2 * smaller))


def mid_p_excess(observed: npt.ArrayLike, expected: npt.ArrayLike) -> Array:
    """One-sided mid-P value for more events than expected."""
    o, e = np.broadcast_arrays(np.asarray(observed, dtype=float), np.asarray(expected, dtype=float))
    return np.asarray(np.clip(stats.poisson.sf(o, e) + 0.5 * stats.poisson.pmf(o, e), 0.0, 1.0))


def ratio_interval(observed: npt.ArrayLike, expected: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array, Array]:
    """Observed / expected with its mid-P limits; nothing expected and nothing seen gives (nan, 0, inf)."""
    o, e = np.broadcast_arrays(np.asarray(observed, dtype=float), np.asarray(expected, dtype=float))
    low, high = mid_p_count_interval(o.ravel(), level)
    with np.errstate(divide="ignore", invalid="ignore"):
        lower, upper = low.reshape(o.shape) / e, high.reshape(o.shape) / e
        ratio = o / e
    return ratio, np.where(e > 0, lower, 0.0), np.where(e > 0, upper, np.inf)


def byar_interval(observed: float, expected: float, level: float = 0.90) -> tuple[float, float]:
    """Byar's approximation of the limits of an observed / expected ratio (Breslow & Day 1987)."""
    z = float(stats.norm.ppf((1 + level) / 2))
    low = observed * (1 - 1 / (9 * observed) - z / (3 * np.sqrt(observed))) ** 3 / expected
    more = observed + 1
    high = more * (1 - 1 / (9 * more) + z / (3 * np.sqrt(more))) ** 3 / expected
    return float(low), float(high)


# --- two rates -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RateComparison:
    """One-sided p-values for 'the first rate is more than `ratio` times the second'."""

    wald: float
    score: float
    sqrt: float
    exact: float
    mid_p: float


def compare_rates(
    events_1: int, exposure_1: float, events_2: int, exposure_2: float, ratio: float = 1.0
) -> RateComparison:
    """Five tests of two Poisson rates (Gu, Ng, Tang & Schucany 2008), alternative: first greater than `ratio` x
    second."""
    d = exposure_1 / exposure_2 * ratio  # expected share of events per event of the second, under equality
    wald = (events_1 - events_2 * d) / np.sqrt(events_1 + events_2 * d**2)
    score = (events_1 - events_2 * d) / np.sqrt((events_1 + events_2) * d)
    root = 2 * (np.sqrt(events_1 + 3 / 8) - np.sqrt((events_2 + 3 / 8) * d)) / np.sqrt(1 + d)
    n, p = events_1 + events_2, d / (1 + d)
    above = float(stats.binom.sf(events_1 - 1, n, p))
    return RateComparison(
        wald=float(stats.norm.sf(wald)),
        score=float(stats.norm.sf(score)),
        sqrt=float(stats.norm.sf(root)),
        exact=above,
        mid_p=above - 0.5 * float(stats.binom.pmf(events_1, n, p)),
    )


@dataclass(frozen=True, slots=True)
class LocationTest:
    """Pearson's test that events fall on rows and columns independently; `residuals` are (observed - expected) / root
    expected."""

    statistic: float
    degrees: int
    p_value: float
    residuals: pd.DataFrame
    events: int


def location_test(table: pd.DataFrame) -> LocationTest:
    """Do failures by location depend on the unit? `table`: counts, a row per unit or kind, a column per position."""
    counts = table.to_numpy(dtype=float)
    expected = counts.sum(axis=1, keepdims=True) * counts.sum(axis=0, keepdims=True) / counts.sum()
    residuals = (counts - expected) / np.sqrt(expected)
    statistic = float((residuals**2).sum())
    degrees = (counts.shape[0] - 1) * (counts.shape[1] - 1)
    return LocationTest(
        statistic=statistic,
        degrees=degrees,
        p_value=float(stats.chi2.sf(statistic, degrees)),
        residuals=pd.DataFrame(residuals, index=table.index, columns=table.columns),
        events=int(counts.sum()),
    )


# --- regression ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RateRegression:
    """Poisson or negative-binomial regression of counts with exposure as offset.

    `effects`: term, level, ratio, ratio_lower, ratio_upper (90 %), p_value, events, exposure; the first row of a term
    is its reference level with ratio 1. `model`: 'poisson', 'negative_binomial' (the variance grows with the square of
    the mean) or 'quasi_poisson' (with the mean). `dispersion`: the negative binomial's alpha, the quasi-Poisson's
    variance over mean (0 for Poisson); `dispersion_p`: one-sided p-value of overdispersion, the smaller of the two.
    """

    effects: pd.DataFrame
    model: str
    dispersion: float
    dispersion_p: float
    events: int
    exposure: float

    def frame(self) -> pd.DataFrame:
        return self.effects


def overdispersion_test(counts: Array, means: Array) -> tuple[float, float]:
    """Cameron & Trivedi's (1990) regression test of variance = mean + alpha mean^2: (alpha, one-sided p-value)."""
    weight = means
    z = ((counts - means) ** 2 - counts) / means
    alpha = float((weight * z).sum() / (weight**2).sum())
    residual = z - alpha * weight
    variance = float((weight**2 * residual**2).sum() / (weight**2).sum() ** 2)
    if variance <= 0:
        return max(alpha, 0.0), 1.0
    return alpha, float(stats.norm.sf(alpha / np.sqrt(variance)))


def pearson_test(counts: Array, means: Array, parameters: int) -> tuple[float, float]:
    """Pearson's statistic over its degrees of freedom, and its one-sided p-value.

    The variance of the statistic allows for small means (McCullagh & Nelder 1989, ch. 6; McCullagh 1986, JASA 81:104).
    """
    degrees = len(counts) - parameters
    if degrees < 1:
        return 1.0, 1.0
    statistic = float(((counts - means) ** 2 / means).sum())
    spread = float(np.sqrt(2.0 * degrees + (1.0 / means).sum()))
    return statistic / degrees, float(stats.norm.sf((statistic - degrees) / spread))


def fit_rate_regression(table: pd.DataFrame, terms: list[str], level: float = 0.90) -> RateRegression:
    """Rate ratios by `terms` (text columns such as duty, site, family) from columns `events` and `exposure`.

    A Poisson fit first; where Cameron & Trivedi's test finds overdispersion (p < 0.05) the negative binomial takes its
    place, and where only Pearson's does, the intervals are widened by it. Levels without exposure are left out; levels
    without any event get an exact upper limit and ratio 0.
    Raises ValueError when there is no event at all.
    """
    rows = table.loc[table["exposure"] > 0, [*terms, "events", "exposure"]].copy()
    for term in terms:
        rows[term] = rows[term].astype(object).where(rows[term].notna(), "unknown").astype(str)
    if rows["events"].sum() == 0:
        raise ValueError("no event: rates have bounds but no ratios")
    silent = pd.Series(False, index=rows.index)
    for term in terms:  # a level without events would send its coefficient to minus infinity
        by_level = rows.groupby(term)["events"].sum()
        silent |= rows[term].isin(by_level.index[by_level == 0])
    fitted = rows.loc[~silent]
    columns: dict[tuple[str, str], Array] = {}
    references: dict[str, str] = {}
    for term in terms:
        ordered = fitted.groupby(term)["exposure"].sum().sort_values(ascending=False)
        references[term] = str(ordered.index[0])
        for name in ordered.index[1:]:
            columns[(term, str(name))] = (fitted[term] == name).to_numpy(dtype=float)
    design = np.column_stack([np.ones(len(fitted)), *columns.values()])
    counts = fitted["events"].to_numpy(dtype=float)
    offset = np.log(fitted["exposure"].to_numpy(dtype=float))
    with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
        # a saturated design predicts perfectly and leaves no residual degrees of freedom; levels that would run away
        # are out
        warnings.simplefilter("ignore", PerfectSeparationWarning)
        poisson = sm.GLM(counts, design, family=sm.families.Poisson(), offset=offset).fit()
    alpha, p_over = overdispersion_test(counts, np.asarray(poisson.mu))
    result, model = poisson, "poisson"
    ratio_to_mean, p_pearson = pearson_test(counts, np.asarray(poisson.mu), design.shape[1])
    if p_over < 0.05 and alpha > 0:
        alpha = _best_alpha(counts, design, offset)
        family = sm.families.NegativeBinomial(alpha=alpha)
        result, model = sm.GLM(counts, design, family=family, offset=offset).fit(), "negative_binomial"
    elif p_pearson < 0.05:
        alpha, model = ratio_to_mean, "quasi_poisson"
        result = sm.GLM(counts, design, family=sm.families.Poisson(), offset=offset).fit(scale="X2")
    else:
        alpha = 0.0
    z = float(stats.norm.ppf((1 + level) / 2))
    estimates, errors, p_values = np.asarray(result.params), np.asarray(result.bse), np.asarray(result.pvalues)
    place = {key: i + 1 for i, key in enumerate(columns)}
    lines = []
    for term in terms:
        sums = rows.groupby(term)[["events", "exposure"]].sum()
        totals = {str(n): (float(e), float(x)) for n, e, x in sums.itertuples()}
        base_events, base_exposure = totals[references[term]]
        for name in sorted(totals, key=lambda n: (n != references[term], n)):
            events, exposure = totals[name]
            if name == references[term]:
                ratio, low, high, p = 1.0, 1.0, 1.0, float("nan")
            elif (term, name) in place:
                i = place[(term, name)]
                ratio = float(np.exp(estimates[i]))
                low, high = (float(np.exp(estimates[i] + s * z * errors[i])) for s in (-1, 1))
                p = float(p_values[i])
            else:
                _, bound = exact_rate_interval(0, exposure, level)
                ratio, low, high = 0.0, 0.0, float(bound) / (base_events / base_exposure)
                p = float(mid_p_value(0, exposure * base_events / base_exposure))
            lines.append((term, name, ratio, low, high, p, int(events), exposure))
    names = ["term", "level", "ratio", "ratio_lower", "ratio_upper", "p_value", "events", "exposure"]
    return RateRegression(
        effects=pd.DataFrame(lines, columns=names),
        model=model,
        dispersion=float(alpha),
        dispersion_p=float(min(p_over, p_pearson)),
        events=int(rows["events"].sum()),
        exposure=float(rows["exposure"].sum()),
    )


def _best_alpha(counts: Array, design: Array, offset: Array) -> float:
    """The negative binomial's alpha by profile likelihood over log alpha."""

    def minus(log_alpha: float) -> float:
        alpha = float(np.exp(log_alpha))
        mean = np.asarray(
            sm.GLM(counts, design, family=sm.families.NegativeBinomial(alpha=alpha), offset=offset).fit().mu
        )
        size = 1 / alpha
        value = (
            special.gammaln(counts + size)
            - special.gammaln(size)
            - special.gammaln(counts + 1)
            + size * np.log(size / (size + mean))
            + counts * np.log(mean / (size + mean))
        )
        return -float(value.sum())

    return float(np.exp(optimize.minimize_scalar(minus, bounds=(-8.0, 4.0), method="bounded").x))


def rate_table(lives: pd.DataFrame, by: list[str] | None = None, level: float = 0.90) -> pd.DataFrame:
    """Failures per 100,000 of distance by family and component (or the columns given), with exact bounds.

    Columns: the grouping columns, events, lives, exposure, rate, rate_lower, rate_upper (per 100,000), mean_distance
    (between failures), mean_lower, mean_upper.
    """
    keys = by or ["family", "component"]
    grouped = _counted(lives, keys).groupby(keys, dropna=False, sort=True)
    table = grouped[["events", "exposure"]].sum()
    table.insert(1, "lives", grouped.size())
    low, high = exact_rate_interval(table["events"], table["exposure"], level)
    with np.errstate(divide="ignore", invalid="ignore"):
        table["rate"] = table["events"] / table["exposure"] * PER
        table["rate_lower"], table["rate_upper"] = low * PER, high * PER
        table["mean_distance"] = table["exposure"] / table["events"]
        table["mean_lower"], table["mean_upper"] = 1 / high, np.where(low > 0, 1 / np.maximum(low, 1e-300), np.inf)
    return table.reset_index()


def rate_cells(lives: pd.DataFrame, terms: list[str]) -> tuple[pd.DataFrame, list[str]]:
    """Counts for a regression: events and exposure per unit and levels of `terms`, and the terms with two levels or
    more.

    A row per unit, so that units that differ more than chance show as overdispersion.
    """
    present = [term for term in terms if term in lives.columns and lives[term].nunique() > 1]
    rows = _counted(lives, ["unit", *present])
    cells = rows.groupby(["unit", *present], dropna=False, sort=True)[["events", "exposure"]].sum().reset_index()
    return cells, present


def _counted(lives: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """`keys`, exposure and events of every life; its exposure is what was certainly run while good, plus half of the
    interval in which it failed.
    """
    rows = lives[keys].copy()
    lower, upper = lives["lower_age"].to_numpy(dtype=float), lives["upper_age"].to_numpy(dtype=float)
    end = np.where(np.isfinite(upper), (lower + upper) / 2, lower)
    rows["exposure"] = np.nan_to_num(np.maximum(end - lives["entry_age"].fillna(0).to_numpy(dtype=float), 0.0))
    rows["events"] = np.isfinite(upper).astype(int)
    return rows
