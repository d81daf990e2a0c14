"""Which make of a part lasts longer, and is it worth its price.

The makes fitted in one component share its distribution and spread and differ by an acceleration of age (accelerated
failure time), after duty, site and first life have been taken off; a soft prior about no difference keeps three
failures from looking ten times better. Cost per 10,000 of distance is price times quantity over the mean life, the
long-run rate of a renewal process (Smith 1958, JRSS B 20:243); its interval comes from the draws of the joint
uncertainty.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy.special import gamma

from rebuildstats.fits.covariates import MAKE, make_effects
from rebuildstats.fits.distributions import Floats
from rebuildstats.fits.draws import LifeDraws
from rebuildstats.fits.pooling import weak_prior
from rebuildstats.fits.prepare import lay, numbers, typical_age
from rebuildstats.fits.results import LifeFit, LifeFits

COLUMNS: Final = (
    "family", "component", "part", "events", "lives", "exposure", "b10", "b10_lower", "b10_upper", "median",
    "median_lower", "median_upper", "ratio", "ratio_lower", "ratio_upper", "p_value", "unit_cost", "quantity",
    "cost_per_10000", "cost_lower", "cost_upper", "against", "cost_ratio", "cost_ratio_lower", "cost_ratio_upper",
)  # fmt: skip
_DRAWS: Final = 1000
# a mean life is asked for only where nearly all of it is known: beyond this many medians a tail is guesswork
_LONGEST: Final = 20.0


def compare_makes(
    fits: LifeFits, lives: pd.DataFrame, parts: pd.DataFrame, part_uses: pd.DataFrame, *, seed: int = 0
) -> pd.DataFrame:
    """Makes side by side, one row per component and part of which at least two have lives of their own.

    Parameters
    ----------
    fits, lives : of `fit_lives`
    parts : DataFrame
        part, unit_cost (may be missing: the cost columns are then empty).
    part_uses : DataFrame
        family, component, part, quantity (pieces per position; 1 where not given).

    Returns
    -------
    DataFrame
        family, component, part; events, lives, exposure of that make; b10 and median with 90 % intervals; ratio of
        its life to that of `against` (the make that ran the most distance) with interval; p_value of all makes of the
        component being alike; unit_cost, quantity, cost_per_10000 of distance with interval; cost_ratio: its cost per
        distance over that of `against`, with interval (below 1: worth its price). Ages in the store's unit.
    """
    prices = parts.drop_duplicates("part").set_index("part")["unit_cost"] if len(parts) else pd.Series(dtype=float)
    uses = part_uses.drop_duplicates(["family", "component", "part"])
    quantities = uses.set_index(["family", "component", "part"])["quantity"] if len(uses) else pd.Series(dtype=float)
    rows: list[dict[str, object]] = []
    usable = lives[lives["part"].notna()]
    for (family, component), here in usable.groupby(["family", "component"], sort=True):
        fit = fits.get(str(family), str(component))
        if here["part"].nunique() < 2 or not isinstance(fit, LifeFit):
            continue
        rows += _component(fit, here, prices, quantities, seed)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _component(
    fit: LifeFit, here: pd.DataFrame, prices: pd.Series[float], quantities: pd.Series[float], seed: int
) -> list[dict[str, object]]:
    table = numbers(here, [(fit.family, fit.component)])
    scale = typical_age(table)
    laid = lay(table, 1, scale)
    others = {name: levels for name, levels in fit.effects.columns.items() if name != MAKE}
    base = _other_shifts(fit, table, set(others))
    columns, effect, covariance, p_value = make_effects(table, laid, base, weak_prior(laid))
    sums = table.groupby(MAKE, sort=True)[["events", "weight", "exposure"]].sum()
    if not columns:
        return []
    against = columns[0].yardstick
    places = {against: -1} | {column.level: i for i, column in enumerate(columns)}
    shares = sums.loc[list(places), "exposure"].to_numpy(dtype=float)
    shares = shares / max(shares.sum(), 1e-12)
    draws = fit.draws(_DRAWS, seed)
    rng = np.random.default_rng([seed, 1])
    shift = rng.multivariate_normal(effect, covariance, size=_DRAWS, method="cholesky")
    each = np.column_stack([shift[:, place] if place >= 0 else np.zeros(_DRAWS) for place in places.values()])
    # the fit is of the mix of makes: each make's life is measured from the mix's middle
    centred = each - (each @ shares)[:, None]
    own = _without_makes(draws, fit)
    mean = _mean_life(own)
    spent = {part: _spent(fit, part, prices, quantities) for part in places}
    rows = []
    for k, part in enumerate(places):
        b10, median = (own.age_at(chance) * np.exp(centred[:, k]) for chance in (0.1, 0.5))
        row: dict[str, object] = {"family": fit.family, "component": fit.component, "part": part, "against": against}
        row |= {
            "events": sums.loc[part, "events"],
            "lives": sums.loc[part, "weight"],
            "exposure": sums.loc[part, "exposure"],
        }
        row |= _spread("b10", b10) | _spread("median", median) | _spread("ratio", np.exp(each[:, k]))
        price, quantity = spent[part]
        cost = 10_000.0 * price * quantity / (mean * np.exp(centred[:, k]))
        row |= {"p_value": p_value, "unit_cost": price, "quantity": quantity}
        middle, low, high = _three(cost)
        row |= {"cost_per_10000": middle, "cost_lower": low, "cost_upper": high}
        dearer = price * quantity / max(spent[against][0] * spent[against][1], 1e-12)
        row |= _spread("cost_ratio", dearer / np.exp(each[:, k]))
        rows.append(row)
    return rows


def _spent(fit: LifeFit, part: str, prices: pd.Series[float], quantities: pd.Series[float]) -> tuple[float, float]:
    """Price of one piece (NaN where not known) and pieces per position (1 where not given)."""
    quantity = float(quantities.get((fit.family, fit.component, part), np.nan))
    return float(prices.get(part, np.nan)), 1.0 if np.isnan(quantity) else quantity


def _other_shifts(fit: LifeFit, table: pd.DataFrame, names: set[str]) -> Floats:
    """The shift of each life by the covariates other than the make."""
    if not names or fit.effects.none:
        return np.zeros(len(table))
    design, _ = fit.effects.design(table, len(table))
    keep = np.ones(len(fit.effects.mean))
    for name, levels in fit.effects.columns.items():
        if name not in names:
            keep[[place for place in levels.values() if place >= 0]] = 0.0
    return np.asarray(design @ (fit.effects.mean * keep))


def _without_makes(draws: LifeDraws, fit: LifeFit) -> LifeDraws:
    """The draws with the makes' own shifts taken out of the mix (they are put back make by make)."""
    shift = draws.shift.copy()
    for place in fit.effects.columns.get(MAKE, {}).values():
        if place >= 0:
            shift[:, place] = 0.0
    return LifeDraws(draws.names, draws.location, draws.sigma, shift, draws.effects)


def _mean_life(draws: LifeDraws) -> Floats:
    """Mean life (n) of each draw at the mix's middle; at most `_LONGEST` medians, where a heavy tail has no mean."""
    scale, sigma = np.exp(draws.location), draws.sigma
    weibull = scale * gamma(1.0 + np.minimum(sigma, 5.0))
    lognormal = scale * np.exp(np.minimum(0.5 * sigma**2, 5.0))
    loglogistic = scale * np.where(sigma < 0.95, np.pi * sigma / np.sin(np.pi * np.minimum(sigma, 0.95)), _LONGEST)
    mean = np.select([draws.names == "lognormal", draws.names == "loglogistic"], [lognormal, loglogistic], weibull)
    return np.asarray(np.minimum(mean, _LONGEST * draws.alone_at(0.5)))


def _three(values: Floats) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return float(middle), float(low), float(high)


def _spread(name: str, values: Floats) -> dict[str, object]:
    middle, low, high = _three(values)
    return {name: middle, f"{name}_lower": low, f"{name}_upper": high}
