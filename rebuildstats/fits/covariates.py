"""What accelerates age: duty, site, first life against later ones, and the make of the part fitted.

Effects are shifts of log age (accelerated failure time; Meeker, Escobar & Pascual 2022, ch. 17). Duty, site and first
life act on all components alike, up to a spread: their common effects are estimated by maximum likelihood over all
components at once, each with its own location and sigma (Newton steps with those two profiled out); a component's own
departure from them is shrunk by the spread found between components (DerSimonian & Laird 1986, Controlled Clinical
Trials 7:177). Makes of a part are compared inside their component. A covariate is used only where the data ask for
it, at `_LEVEL`.

Levels are measured from the fleet's own mix of them by distance run, so that a component's location is that of the mix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import chi2

from rebuildstats.fits.distributions import WEIBULL, Distribution, Floats
from rebuildstats.fits.draws import Effects, level_text
from rebuildstats.fits.exchange import Ask, Steps, alone, total
from rebuildstats.fits.likelihood import Ints, Lives, each_life
from rebuildstats.fits.newton import Prior, find_modes

Bools = npt.NDArray[np.bool_]

SHARED: Final = ("duty", "site", "first_life")
MAKE: Final = "part"
#: The covariate of which a life may have had several levels (`duty_share`: the part of its distance on the one named).
PARTED: Final = "duty"
_LEVEL: Final = 0.01
# makes are looked at component by component, many at once
_MAKE_LEVEL: Final = 0.002
_FEWEST_EVENTS: Final = 8.0
_FEWEST_PER_MAKE: Final = 3.0
# a make or a departure of more than a factor e^0.7 = 2 in life is rare; a soft limit, not a claim
_SPREAD: Final = 0.5
_TURNS: Final = 30


@dataclass(frozen=True, slots=True)
class Found:
    """Covariates used: `design` (rows, p) of the lives, `effects` one per component, `shift` (rows) to take off log
    age, `named[component]` the sentences that name what was used there."""

    design: Floats
    effects: tuple[Effects, ...]
    shift: Floats
    named: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Column:
    """One level of a covariate, set against the yardstick level of the same covariate."""

    name: str
    level: str
    yardstick: str


def find_effects(table: pd.DataFrame, lives: Lives, prior: Prior) -> Steps[Found]:
    """Which covariates the data ask for, and how much each shifts log age in each component.

    Parameters
    ----------
    table : DataFrame
        One row per (grouped) life: of (component number), exposure, events, and the covariates as text.
    lives : Lives
        The same lives laid out; their `row` are the places of `table`.
    prior : Prior
        A weak prior of each component's (location, log sigma), so that one event does not break it.

    Of a fleet in pieces, table and lives are those of one; what acts on all components alike is found from all.
    """
    columns = yield from _columns(table)
    run = (yield Ask(_summed, [_run_by_duty(table)]))[0] if _parted(columns).any() else None
    design = _design(table, columns, run)
    common, covariance = np.zeros(0), np.zeros((0, 0))
    while columns:
        common, covariance, scores, information = yield from _joint(WEIBULL, lives, design, _parted(columns), prior)
        weakest, p_value = yield from _weakest(columns, common, covariance, scores, information)
        if p_value < _LEVEL:
            break
        keep = [i for i, c in enumerate(columns) if c.name != weakest]
        columns, design = [columns[i] for i in keep], design[:, keep]
    if columns:
        own, own_covariance = yield from _departures(common, covariance, scores, information)
    else:
        own, own_covariance = np.zeros((lives.components, 0)), np.zeros((lives.components, 0, 0))
    return _assemble(table, lives, prior, columns, design, own, own_covariance)


def _summed(pieces: list[list[Any]]) -> list[Any]:
    """Sums by level over all pieces, of several frames (or series) at once."""
    whole = [pd.concat(frames).groupby(level=0, sort=True).sum() for frames in zip(*pieces, strict=True)]
    return [whole] * len(pieces)


def _columns(table: pd.DataFrame) -> Steps[list[Column]]:
    """A column for every level of a shared covariate but its most frequent one; levels with few events are left out."""
    columns = []
    names = [name for name in SHARED if name in table.columns]
    every = yield Ask(_summed, [table.groupby(name, sort=True)[["events", "exposure"]].sum() for name in names])
    for name, sums in zip(names, every, strict=True):
        sums = sums[sums["events"] >= _FEWEST_EVENTS]
        if len(sums) < 2:
            continue
        yardstick = str(sums["exposure"].idxmax())
        columns += [Column(name, str(level), yardstick) for level in sums.index if level != yardstick]
    return columns


def _design(table: pd.DataFrame, columns: list[Column], run: pd.Series[float] | None = None) -> Floats:
    """How much of each life ran at each level: all at its own, or, of duty, the part of its distance that is known
    for it. run: the fleet's distance by duty, where duty is among the columns.
    """
    design = np.zeros((len(table), len(columns)))
    parts = {} if run is None else _duty_parts(table, run)
    for i, column in enumerate(columns):
        at_level = (table[column.name] == column.level).to_numpy(dtype=float)
        design[:, i] = parts.get(column.level, at_level) if column.name == PARTED else at_level
    return design


def _run_by_duty(table: pd.DataFrame) -> pd.Series[float]:
    return table["exposure"].groupby(table[PARTED]).sum()


def _duty_parts(table: pd.DataFrame, run: pd.Series[float]) -> dict[str, Floats]:
    """Part of each life run on each duty: `duty_share` on its own, the rest on the others by their distance, `run`."""
    own = table[PARTED]
    share = table["duty_share"].to_numpy(dtype=float) if "duty_share" in table.columns else np.ones(len(table))
    share = np.clip(np.where(own.notna(), share, 0.0), 0.0, 1.0)
    of_own = own.map(run / max(float(run.sum()), 1e-12)).fillna(1.0).to_numpy(dtype=float)
    parts = {}
    for level, distance in run.items():
        among_others = float(distance) / max(float(run.sum()), 1e-12) / np.maximum(1.0 - of_own, 1e-12)
        parts[str(level)] = np.where((own == level).to_numpy(), share, (1.0 - share) * np.minimum(among_others, 1.0))
    return {level: np.where(own.notna(), part, 0.0) for level, part in parts.items()}


def _parted(columns: list[Column]) -> Bools:
    return np.array([column.name == PARTED for column in columns], dtype=bool)


def _shift(design: Floats, parted: Bools, b: Floats) -> Floats:
    """Shift of log age of each life. Of a life run partly on one duty, partly on another, the age that counts is the
    sum of its distances, each times how fast it wears there: the shift is minus the log of the mean acceleration, not
    a mean of shifts.
    """
    straight: Floats = design[:, ~parted] @ b[~parted]
    return straight - np.log(_acceleration(design, parted, b))


def _acceleration(design: Floats, parted: Bools, b: Floats) -> Floats:
    parts = design[:, parted]
    return np.asarray(np.maximum(1.0 - parts.sum(axis=1), 0.0) + parts @ np.exp(-b[parted]))


def _slopes(design: Floats, parted: Bools, b: Floats) -> Floats:
    """Derivative of each life's shift by each effect."""
    out = design.copy()
    out[:, parted] *= np.exp(-b[parted]) / _acceleration(design, parted, b)[:, None]
    return out


def _joint(
    dist: Distribution, lives: Lives, design: Floats, parted: Bools, prior: Prior
) -> Steps[tuple[Floats, Floats, Floats, Floats]]:
    """Common effects b (p), their covariance, and at them each component's profile score (m, p) and information (m,
    p, p).
    """
    p = design.shape[1]
    of = np.zeros(len(design), dtype=np.int64)
    for part in lives.parts:
        of[part.row] = part.of
    b: Floats = np.zeros(p)
    start = None
    step, highest, found = b, -np.inf, (b, np.zeros((p, p)), np.zeros((lives.components, p)), np.zeros((0, p, p)))
    for _ in range(_TURNS):
        shift = _shift(design, parted, b)
        moved = lives.shifted(shift)
        modes = find_modes(dist, moved, prior, start)
        start = modes.parameters
        _, d_loc, _, d_ll, d_ls, _ = each_life(dist, moved, start[of, 0], start[of, 1])
        scores, information = _profile(
            lives.components, of, _slopes(design, parted, b), d_loc, d_ll, d_ls, modes.curvature
        )
        # a density per age shrinks as the age does
        own = modes.log_likelihood.sum() + prior.pull(start).sum() - lives.exact.weight @ shift[lives.exact.row]
        value, known, slope = yield from total((float(own), information.sum(axis=0), scores.sum(axis=0)))
        if value < highest - 1e-9 * (1.0 + abs(highest)):
            step = 0.3 * step
        else:
            highest, found = value, (b, known, scores, information)
            values, vectors = np.linalg.eigh(known)
            step = vectors @ ((vectors.T @ slope) / np.maximum(np.abs(values), 1e-3))
            step *= min(1.0, 0.7 / max(float(np.abs(step).max()), 1e-12))
        b = found[0] + step
        if float(np.abs(step).max()) < 1e-6:
            break
    b, known, scores, information = found
    values, vectors = np.linalg.eigh(known)
    return b, np.asarray((vectors / np.maximum(values, 1e-3)) @ vectors.T), scores, information


def _profile(
    components: int, of: Ints, design: Floats, d_loc: Floats, d_ll: Floats, d_ls: Floats, curvature: Floats
) -> tuple[Floats, Floats]:
    """Scores and information of the effects per component, location and log sigma profiled out."""
    p = design.shape[1]
    scores = np.zeros((components, p))
    np.add.at(scores, of, design * d_loc[:, None])
    direct = np.zeros((components, p, p))
    np.add.at(direct, of, -design[:, :, None] * design[:, None, :] * d_ll[:, None, None])
    cross = np.zeros((components, p, 2))
    np.add.at(cross, of, -design[:, :, None] * np.column_stack([d_ll, d_ls])[:, None, :])
    inner = np.linalg.pinv(curvature)
    information = direct - np.einsum("mpi,mij,mqj->mpq", cross, inner, cross)
    return scores, information


def _weakest(
    columns: list[Column], b: Floats, covariance: Floats, scores: Floats, information: Floats
) -> Steps[tuple[str, float]]:
    """The covariate with the largest p-value: of the common effect being none (Wald) or of one hidden in departures."""
    worst = ("", -1.0)
    places = {c.name: [i for i, other in enumerate(columns) if other.name == c.name] for c in columns}
    departing = yield from total(
        np.array([_departing(scores[:, at], information[:, at][:, :, at]) for at in places.values()])
    )
    for (name, at), (statistic, usable) in zip(places.items(), departing, strict=True):
        block = np.linalg.pinv(covariance[np.ix_(at, at)])
        p_common = float(chi2.sf(b[at] @ block @ b[at], len(at)))
        p_apart = float(chi2.sf(statistic, max(len(at) * (int(usable) - 1), 1))) if usable > 1 else 1.0
        p_value = min(2.0 * min(p_common, p_apart), 1.0)
        if p_value > worst[1]:
            worst = (name, p_value)
    return worst


def _departing(scores: Floats, information: Floats) -> tuple[float, float]:
    """Score statistic of the departures of the components that say enough of a covariate, and how many those are."""
    usable = np.einsum("mii->m", information) > 5.0
    each = np.einsum("mp,mpq,mq->m", scores, np.linalg.pinv(information), scores)
    return float(each[usable].sum()), float(usable.sum())


def _departures(b: Floats, covariance: Floats, scores: Floats, information: Floats) -> Steps[tuple[Floats, Floats]]:
    """Each component's effects (m, p) and their covariance: the common ones and its own departure, shrunk."""
    strength = np.maximum(np.einsum("mii->mi", information), 0.0)
    weight = np.where(strength > 1.0, strength, 0.0)
    own = scores / np.where(weight > 0.0, weight, 1.0)
    sums = [weight.sum(axis=0), (weight**2).sum(axis=0), (weight * own).sum(axis=0), (weight > 0.0).sum(axis=0)]
    weights, squares, means, count = yield from total(np.stack(sums))
    q = yield from total((weight * (own - means / np.where(weights > 0.0, weights, 1.0)) ** 2).sum(axis=0))
    enough = count >= 3.0
    rest = np.where(enough, weights - squares / np.where(weights > 0.0, weights, 1.0), 1.0)
    spread = np.where(enough, np.clip((q - (count - 1.0)) / rest, 0.0, _SPREAD**2), 0.0)
    tight = np.diag(1.0 / np.maximum(spread, 1e-8))
    own_covariance = np.linalg.inv(information + tight)
    departure = np.einsum("mpq,mq->mp", own_covariance, scores)
    return b + np.clip(departure, -1.5, 1.5), own_covariance + covariance


def _assemble(
    table: pd.DataFrame,
    lives: Lives,
    prior: Prior,
    columns: list[Column],
    design: Floats,
    own: Floats,
    own_covariance: Floats,
) -> Found:
    """Per component: its makes beside the shared effects, the mix of the fleet, and the shift of each life."""
    m, shift = lives.components, np.zeros(len(table))
    if not columns and MAKE not in table.columns:
        return Found(design, (Effects(),) * m, shift, ((),) * m)
    of = table["of"].to_numpy()
    order = np.argsort(of, kind="stable")
    edges = np.searchsorted(of[order], np.arange(m + 1))
    effects, named = [], []
    for j, own_lives in enumerate(lives.one_by_one()):
        rows = order[edges[j] : edges[j + 1]]
        here = table.iloc[rows]
        base = _shift(design[rows], _parted(columns), own[j])
        own_prior = Prior(prior.mean[[j]], prior.precision[[j]])
        makes, values, spread, p_value = make_effects(here, own_lives, base, own_prior, rows=rows, length=len(table))
        p = len(columns)
        if p_value >= _MAKE_LEVEL:
            makes, values, spread = [], values[:0], spread[:0, :0]
        all_columns = columns + makes
        mean = np.concatenate([own[j], values])
        covariance = np.zeros((len(mean), len(mean)))
        covariance[:p, :p], covariance[p:, p:] = own_covariance[j], spread
        one = _mixed(here, all_columns, mean, covariance)
        effects.append(one)
        if not one.none:
            full, known = one.design(here, len(here))
            full[:, :p] = 0.0
            shift[rows] = np.where(known, base - one.centre[:p] @ mean[:p] + full @ mean, 0.0)
        named.append(_name(all_columns, mean, np.sqrt(np.diagonal(covariance))))
    return Found(design, tuple(effects), shift, tuple(named))


def make_effects(
    here: pd.DataFrame, lives: Lives, base: Floats, prior: Prior, *, rows: Ints | None = None, length: int | None = None
) -> tuple[list[Column], Floats, Floats, float]:
    """Makes of one component's part against the one that ran the most distance.

    Parameters
    ----------
    here : DataFrame
        The component's lives: part (text), events, exposure.
    lives : Lives
        That component alone; `Part.row` points into a table of `length` rows, of which `rows` are those of `here`.
    base : (rows of here)
        Shift by the other covariates.

    Returns
    -------
    columns, effects (p), covariance (p, p), p_value
        Effects shrunk softly towards none; p_value of all makes being alike, unshrunk (Wald). Empty with fewer than two
        makes of enough failures. Lives of an unknown make take no part.
    """
    nothing: tuple[list[Column], Floats, Floats, float] = ([], np.zeros(0), np.zeros((0, 0)), 1.0)
    if MAKE not in here.columns:
        return nothing
    sums = here.groupby(MAKE, sort=True)[["events", "exposure"]].sum()
    sums = sums[sums["events"] >= _FEWEST_PER_MAKE]
    if len(sums) < 2:
        return nothing
    rows = np.arange(len(here)) if rows is None else rows
    length = len(here) if length is None else length
    yardstick = str(sums["exposure"].idxmax())
    columns = [Column(MAKE, str(level), yardstick) for level in sums.index if level != yardstick]
    design, moved, known = np.zeros((length, len(columns))), np.zeros(length), np.zeros(length, dtype=bool)
    design[rows], moved[rows], known[rows] = _design(here, columns), base, here[MAKE].isin(sums.index).to_numpy()
    compared = Lives(1, *(part.keep(known[part.row]) for part in lives.parts)).shifted(moved)
    b, covariance, _, _ = alone(_joint(WEIBULL, compared, design, _parted(columns), prior))
    information = np.linalg.pinv(covariance)
    p_value = float(chi2.sf(float(b @ information @ b), len(b)))
    shrunk_covariance = np.linalg.inv(information + np.eye(len(b)) / _SPREAD**2)
    shrunk: Floats = shrunk_covariance @ information @ b
    return columns, shrunk, np.asarray(shrunk_covariance, dtype=np.float64), p_value


def _mixed(here: pd.DataFrame, columns: list[Column], mean: Floats, covariance: Floats) -> Effects:
    """The effects with the mix of levels by distance run, measured from that mix."""
    if not columns:
        return Effects()
    places: dict[str, dict[str, int]] = {}
    for i, column in enumerate(columns):
        places.setdefault(column.name, {column.yardstick: -1})[column.level] = i
    names = list(places)
    run = _run_at(here) if PARTED in names else here
    codes = pd.DataFrame({name: run[name].map(places[name]) for name in names})
    known = codes.notna().all(axis=1)
    weights = run["exposure"].clip(lower=0.0)[known] + 1e-9
    if not known.any():
        return Effects()
    shares = weights.groupby([codes.loc[known, name] for name in names]).sum()
    design = np.zeros((len(shares), len(mean)))
    for row, key in enumerate(shares.index):
        for place in key if isinstance(key, tuple) else (key,):
            if place >= 0:
                design[row, int(place)] = 1.0
    share = shares.to_numpy() / shares.sum()
    centre = share @ design
    return Effects(places, mean, covariance, centre, share, design - centre)


def _run_at(here: pd.DataFrame) -> pd.DataFrame:
    """The lives with their distance divided over the duties it was run on: a row per life and duty."""
    parts = _duty_parts(here, _run_by_duty(here))
    if not parts:
        return here
    divided = [
        here.assign(duty=level, exposure=here["exposure"].to_numpy(dtype=float) * part) for level, part in parts.items()
    ]
    return pd.concat(divided, ignore_index=True)


def _name(columns: list[Column], mean: Floats, error: Floats) -> tuple[str, ...]:
    words = []
    for column, value, spread in zip(columns, mean, error, strict=True):
        low, high = np.exp(value - 1.645 * spread), np.exp(value + 1.645 * spread)
        words.append(_said(column, f"{np.exp(value):.2f} times as long as", f"({low:.2f} to {high:.2f})"))
    return tuple(words)


def _said(column: Column, ratio: str, interval: str) -> str:
    """One effect as a person would say it."""
    if column.name == "first_life":
        first, later = "first lives", "lives after a renewal"
        this, other = (first, later) if column.level == "True" else (later, first)
        return f"{this} last {ratio} {other} {interval}"
    where = {"duty": "on duty", "site": "at site", MAKE: "of make"}[column.name]
    return f"lives {where} {column.level} last {ratio} those {where} {column.yardstick} {interval}"


def text_levels(frame: pd.DataFrame) -> pd.DataFrame:
    """The covariates of a lives frame as text columns."""
    return pd.DataFrame({name: level_text(frame[name]) for name in (*SHARED, MAKE) if name in frame.columns})
