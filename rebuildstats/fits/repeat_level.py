"""The sound level that repeats are measured against, kept apart from the causes found so far."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.exposure import BANDS, Exposure
from rebuildstats.fits.first_lives import ENOUGH_FIRST, against_first_lives
from rebuildstats.fits.repeat_views import View
from rebuildstats.fits.rows import sums

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(slots=True, eq=False)
class Effect:
    """A found cause: a group of a view, the bins of its spell, the rows it covers and the factors on their hazard.

    ratio, ratio_in_window: on failures after and within the comeback window; early_ratio: on comebacks. first_lower,
    first_upper: 90 % limits of the bin it began in; zero: the bin after the CUSUM's last zero. added: failures per
    distance in the comeback window that it adds, where it is `additive`.
    """

    view: View
    code: int
    kind: str
    name: str
    component: int
    p_value: float
    q_value: float
    first: int = 0
    last: int = -1
    first_lower: int = 0
    first_upper: int = 0
    zero: int = 0
    pieces: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    fails: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    lives: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    ratio: float = 1.0
    ratio_in_window: float = 1.0
    early_ratio: float = 1.0
    added: float = 0.0

    @property
    def additive(self) -> bool:
        """Whether its early failures come on top, as many whatever was fitted: bad work, not a weak component."""
        return self.view.response == "comebacks" and not self.view.by_component and self.kind != "component"


@dataclass(slots=True)
class Level:
    """The sound level: what every life and piece should have failed, scaled so that each stratum gets its own total.

    `piece_sound`, `early_sound` leave found causes out; `piece_expected`, `early_expected` include them.
    `cells`, `bend`: factors on hazard by stratum, and the power that bends each component's hazard.
    """

    x: Exposure
    effects: list[Effect] = field(default_factory=list)
    piece_sound: Array = field(default_factory=lambda: np.zeros(0))
    piece_expected: Array = field(default_factory=lambda: np.zeros(0))
    life_expected: Array = field(default_factory=lambda: np.zeros(0))
    fitted_expected: Array = field(default_factory=lambda: np.zeros(0))
    early_sound: Array = field(default_factory=lambda: np.zeros(0))
    early_expected: Array = field(default_factory=lambda: np.zeros(0))
    fleet_early: Array = field(default_factory=lambda: np.zeros(0))
    failures: Array = field(default_factory=lambda: np.zeros(0))
    early_failures: Array = field(default_factory=lambda: np.zeros(0))
    cells: Array = field(default_factory=lambda: np.zeros(0))
    bend: Array = field(default_factory=lambda: np.zeros(0))

    def settle(self, rounds: int = 30) -> None:
        """Levels and factors of causes by turns until they agree (iterative proportional fitting of a Poisson model).

        The sound level of a piece is its fitted hazard times: the component's own level; a level for lives begun at a
        teardown and one for each duty, of the whole fleet; how the component departs from those two, held near 1; and
        the shape over age where the data insist.
        """
        x = self.x
        n, duties = len(x.component.names), len(x.duty)
        component = x.component.code
        cell = _cells(x, x.piece_life, x.piece_duty, x.piece_band)
        failed = sums(_cells(x, x.fail_life, x.fail_duty, x.fail_band), None, n * BANDS * 2 * duties).astype(float)
        failed = failed.reshape(n, BANDS, 2, duties)
        factor = np.ones(len(x.piece_life))
        early_factor = np.ones(len(x.failed))
        early_failed = sums(component, x.early.astype(float), n)
        piece_hazard, early_hazard = self._bent()
        level = np.ones(failed.shape)
        early_level = np.zeros(n)
        added, early_added = np.zeros(len(x.piece_life)), np.zeros(len(x.failed))
        for _ in range(rounds if self.effects else 1):
            factor[:] = 1.0
            early_factor[:] = 1.0
            added[:] = 0.0
            for effect in self.effects:
                factor[effect.pieces] *= np.where(x.piece_early[effect.pieces], effect.ratio_in_window, effect.ratio)
                early_factor[effect.lives] *= effect.early_ratio
                added += effect.added * self._run_in_window(effect)
            early_added = sums(x.piece_life, added, len(x.failed))
            beside = np.maximum(failed - sums(cell, added, failed.size).reshape(failed.shape), 0.0)
            early_beside = np.maximum(early_failed - sums(component, early_added, n), 0.0)
            raw = sums(cell, piece_hazard * factor, failed.size).reshape(failed.shape)
            level = _levels(beside, raw)
            early_level = _ratio(early_beside, sums(component, early_hazard * early_factor, n))
            expected = piece_hazard * factor * level.ravel()[cell]
            early = early_hazard * early_factor * early_level[component]
            before = [e.ratio for e in self.effects]
            for effect in self.effects:
                # early failures are a thing of their own: a bad fitting shows in the window and is over after it
                soon, early_fails = effect.pieces & x.piece_early, effect.fails & x.early[x.fail_life]
                late, late_fails = effect.pieces & ~x.piece_early, effect.fails & ~x.early[x.fail_life]
                if effect.additive:
                    run = float(self._run_in_window(effect).sum())
                    effect.added = max(float(early_fails.sum() - expected[soon].sum()), 0.0) / max(run, 1e-9)
                else:
                    effect.ratio_in_window *= _one(float(early_fails.sum()), float(expected[soon].sum()))
                    effect.early_ratio *= _one(float(x.early[effect.lives].sum()), float(early[effect.lives].sum()))
                effect.ratio *= _one(float(late_fails.sum()), float(expected[late].sum()))
                effect.ratio, effect.ratio_in_window = (
                    float(np.clip(r, 0.01, 200.0)) for r in (effect.ratio, effect.ratio_in_window)
                )
            if all(abs(e.ratio / b - 1) < 0.005 for e, b in zip(self.effects, before, strict=True)):
                break
        self.cells = level.ravel()
        self.piece_sound = piece_hazard * self.cells[cell]
        self.piece_expected = self.piece_sound * factor + added
        self.life_expected = sums(x.piece_life, self.piece_expected, len(x.failed))
        self.early_expected = early_hazard * early_factor * early_level[component] + early_added
        early_beside = np.maximum(early_failed - sums(component, early_added, n), 0.0)
        whole = float(_ratio(np.array([early_beside.sum()]), np.array([float((early_hazard * early_factor).sum())]))[0])
        self.fleet_early = early_hazard * early_factor * whole * EARLY_GUARD + early_added
        # own early failures say little about a component's sound level: two failures' worth of the fleet's level
        # steady it
        steadied = (early_beside + 2.0 * whole) / (sums(component, early_hazard * early_factor, n) + 2.0)
        self.early_sound = early_hazard * steadied[component]
        explained = np.zeros(len(x.failed), dtype=bool)
        for effect in self.effects:
            explained |= effect.lives
        self.fitted_expected = against_first_lives(x, factor, early_added, explained)
        self.failures, self.early_failures = failed.sum(axis=(1, 2, 3)), early_failed

    def _run_in_window(self, effect: Effect) -> Array:
        """Distance of each piece that an additive cause covers within the comeback window."""
        if not effect.additive:
            return np.zeros(len(self.x.piece_life))
        return np.where(effect.pieces & self.x.piece_early, self.x.piece_run, 0.0)

    def without(self, effect: Effect) -> tuple[Array, Array]:
        """Failures to expect by piece and comebacks by life as if one cause did nothing, the others still in."""
        x = self.x
        on_top = effect.added * self._run_in_window(effect)
        ratio = np.where(effect.pieces, np.where(x.piece_early, effect.ratio_in_window, effect.ratio), 1.0)
        early_ratio = np.where(effect.lives, effect.early_ratio, 1.0)
        early = self.early_expected - sums(x.piece_life, on_top, len(x.failed))
        return (self.piece_expected - on_top) / ratio, early / early_ratio

    def log_likelihood(self) -> float:
        """Poisson log-likelihood of all failures under level and causes, but for a constant of the data."""
        x = self.x
        component = x.component.code[x.fail_life]
        rate = self.cells[_cells(x, x.fail_life, x.fail_duty, x.fail_band)]
        value = np.log(np.maximum(rate * self.bend[component], 1e-12))
        value += (self.bend[component] - 1) * np.log(np.maximum(x.end_hazard[x.fail_life], 1e-12))
        for effect in self.effects:
            soon = x.early[x.fail_life[effect.fails]]
            value[effect.fails] += np.log(np.where(soon, effect.ratio_in_window, effect.ratio))
        return float(value.sum() - self.piece_expected.sum())

    def _bent(self) -> tuple[Array, Array]:
        """Hazard of pieces and of comeback windows, each component's fitted shape bent to its lives: H^gamma.

        The fit saw the bad with the good, and what fails early for a bad part looks like another shape. So gamma is
        found from first lives alone, which no part or work has spoilt; where they are too few, with a level of its own
        for first lives and for every part (stratified likelihood), without the lives that found causes explain. A prior
        holds it near 1.
        """
        x = self.x
        component = x.component.code
        explained = np.zeros(len(x.failed), dtype=bool)
        for effect in self.effects:
            if effect.view.clock == "fitted":  # a cause on the calendar bends no life's shape over age
                explained |= effect.lives
        gamma = np.ones(len(x.component.names))
        stratum = np.where(x.begun, x.part.code + 2, 0)
        for c in range(len(gamma)):
            mine = component == c
            chosen = mine & ~x.begun
            if x.failed[chosen].sum() < ENOUGH_FIRST:
                chosen = mine & ~explained
            if x.failed[chosen].sum() < 8:
                chosen = mine
            if x.failed[chosen].sum() >= 5:
                codes = np.unique(stratum[chosen], return_inverse=True)[1]
                gamma[c] = best_bend(x.entry_hazard[chosen], x.end_hazard[chosen], x.failed[chosen], codes)
        self.bend = gamma
        by_piece, by_life = gamma[component[x.piece_life]], gamma[component]
        return (
            x.piece_to**by_piece - x.piece_from**by_piece,
            np.maximum(x.early_end_hazard**by_life - x.entry_hazard**by_life, 0.0),
        )


BENDS = np.exp(np.linspace(np.log(0.55), np.log(1.8), 33))
BEND_SD = 0.25


def best_bend(entry: Array, end: Array, failed: Flags, stratum: Ints) -> float:
    """The power gamma that fits hazards c_s H^gamma best (c_s of each stratum profiled out), log gamma ~ N(0,
    BEND_SD^2)."""
    strata = int(stratum.max()) + 1
    count = sums(stratum, failed, strata)
    log_end = float(np.log(np.maximum(end[failed], 1e-12)).sum())
    value = np.empty(len(BENDS))
    for i, bend in enumerate(BENDS):
        total = sums(stratum, end**bend - entry**bend, strata)
        value[i] = count.sum() * np.log(bend) + (bend - 1) * log_end - (count * np.log(np.maximum(total, 1e-300))).sum()
    value -= (np.log(BENDS) / BEND_SD) ** 2 / 2
    return float(BENDS[int(value.argmax())])


def _cells(x: Exposure, life: Ints, duty: Ints, band: Ints) -> Ints:
    """(component, band of age, begun at a teardown, duty) as one number; bands already carry their component."""
    return (band * 2 + x.begun[life]) * len(x.duty) + duty


OWN_PRIOR, BAND_PRIOR, DUTY_PRIOR = 2.0, 8.0, 8.0
"""Failures' worth of belief that a component follows its fitted level and shape, and departs from the fleet by no
more than some 35 % (1 / root of the number) between duties. How far components depart in rebuilt against first lives
is learnt from them."""


def _begun_prior(failed: Array, raw: Array) -> tuple[float, float]:
    """Median ratio of rebuilt to first lives over components, and 1 / variance of its logarithm between them, by the
    median of squares so that the bad ones don't count."""
    o, e = failed.sum(axis=(1, 3)), raw.sum(axis=(1, 3))
    ratio = np.log(((o + 0.5) / (e + 0.5))[:, 1] / ((o + 0.5) / (e + 0.5))[:, 0])
    chance = 1 / (e[:, 0] + 0.5) + 1 / (e[:, 1] + 0.5)
    told = e.min(axis=1) >= 4
    if told.sum() < 6:
        return 1.0, 25.0
    centre = float(np.median(ratio[told]))
    spread = float(np.median((ratio[told] - centre) ** 2 / chance[told])) / 0.455  # 0.455: median of chi-square on 1
    excess = max(spread - 1.0, 0.0) * float(np.median(chance[told]))
    return float(np.exp(centre)), float(np.clip(1 / max(excess, 1e-6), 16.0, 150.0))


EARLY_GUARD = 2.0
"""How many times as often as the fleet's a component's renewals may come back early before it is suspected."""


def _levels(failed: Array, raw: Array, turns: int = 8) -> Array:
    """Factors on `raw` hazard of (component, band, begun, duty) cells that give every component its own failures.

    The fleet's own ratio of rebuilt to first lives is the median of the components', so that bad parts don't raise it.
    """
    usable = np.ones(failed.shape[:3])
    band_failed = (failed.sum(axis=3) * usable).sum(axis=2)
    own = np.ones(failed.shape[0])
    band = np.ones(failed.shape[:2])
    begun, duty = np.ones(2), np.ones(failed.shape[3])
    own_begun, own_duty = np.ones((failed.shape[0], 2)), np.ones((failed.shape[0], failed.shape[3]))

    def now() -> Array:
        return np.asarray(
            raw
            * own[:, None, None, None]
            * band[:, :, None, None]
            * (begun * own_begun)[:, None, :, None]
            * (duty * own_duty)[:, None, None, :]
        )

    begun_prior = 1e9  # duties first: rebuilt lives are more often of the hard ones
    for turn in range(turns):
        if turn == 2:
            begun[1], begun_prior = _begun_prior(failed, now())
        own = (failed.sum(axis=(1, 2, 3)) + OWN_PRIOR) / (now().sum(axis=(1, 2, 3)) / own + OWN_PRIOR)
        duty *= (failed.sum(axis=(0, 1, 2)) + 1.0) / (now().sum(axis=(0, 1, 2)) + 1.0)
        # toward 1, not toward where it stands: the prior's weight stands on a factor of 1
        own_begun = (failed.sum(axis=(1, 3)) + begun_prior) / (now().sum(axis=(1, 3)) / own_begun + begun_prior)
        own_duty = (failed.sum(axis=(1, 2)) + DUTY_PRIOR) / (now().sum(axis=(1, 2)) / own_duty + DUTY_PRIOR)
        expected = (now().sum(axis=3) * usable).sum(axis=2)
        scale = _ratio(band_failed.sum(axis=1), expected.sum(axis=1))[:, None]
        band = (band_failed + BAND_PRIOR) / (expected * scale / band + BAND_PRIOR)
    own = (failed.sum(axis=(1, 2, 3)) + OWN_PRIOR) / (now().sum(axis=(1, 2, 3)) / own + OWN_PRIOR)
    flat = np.ones(failed.shape)
    return np.asarray(
        flat
        * own[:, None, None, None]
        * band[:, :, None, None]
        * (begun * own_begun)[:, None, :, None]
        * (duty * own_duty)[:, None, None, :]
    )


def _ratio(observed: Array, expected: Array) -> Array:
    out = np.zeros(len(observed))
    np.divide(observed, expected, out=out, where=expected > 0)
    return out


def _one(observed: float, expected: float) -> float:
    """One turn's step of a cause's factor, held so that a cause that covers all there is can't run away."""
    return float(np.clip(observed / expected, 0.2, 5.0)) if observed > 0 and expected > 0 else 1.0


@dataclass(frozen=True, slots=True)
class Counts:
    """A view's groups over time: observed, expected (groups, bins); total: failures of the components each group
    takes part in."""

    observed: Array
    expected: Array
    total: Array


def tally(view: View, level: Level) -> Counts:
    """What each group of a view had and should have had, by bin of the view's clock."""
    x = level.x
    n, bins = view.count, x.bins
    component, totals = x.component.code, level.failures
    observed = np.zeros(0)
    if view.response == "comebacks":
        rows, bin_of, observed = view.group, x.opened, x.early.astype(float)
        expected = level.fleet_early if view.kind == "component" else level.early_expected
        totals = level.early_failures
    elif view.clock == "fitted":
        rows, bin_of, observed = view.group, x.opened, x.failed.astype(float)
        expected = level.fitted_expected if view.kind == "component" else level.life_expected
    else:
        rows, bin_of, expected = view.group, x.piece_bin, level.piece_expected
        component = x.component.code[x.piece_life]
    kept = rows >= 0
    place = rows[kept] * bins + bin_of[kept]
    e = sums(place, expected[kept], n * bins).reshape(n, bins)
    if view.clock == "calendar":
        inside = view.fail_group >= 0
        o = sums(view.fail_group[inside] * bins + x.fail_bin[inside], None, n * bins).reshape(n, bins).astype(float)
    else:
        o = sums(place, observed[kept], n * bins).reshape(n, bins)
    if view.response == "comebacks" and view.kind == "component":
        return Counts(o, e, np.full(n, totals.sum()))
    pair = np.unique(rows[kept] * len(totals) + component[kept])
    total = sums(pair // len(totals), totals[pair % len(totals)], n)
    return Counts(o, e, total)
