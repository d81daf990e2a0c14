"""What a fitted life is: the results that `fits.life` gives, with the columns of the contract."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import BY_NAME, Floats
from rebuildstats.fits.draws import Cloud, Effects, LifeDraws
from rebuildstats.fits.signals import EarlyLife, VerdictDoubt

LIFE_COLUMNS: Final = (
    "family",
    "component",
    "distribution",
    "scale",
    "shape",
    "b10",
    "b10_lower",
    "b10_upper",
    "median",
    "median_lower",
    "median_upper",
    "events",
    "lives",
    "exposure",
    "shrinkage",
)


@dataclass(frozen=True, slots=True)
class Rival:
    """One distribution by plain maximum likelihood, no prior: what it says and how well it does.

    `aicc` is of `log_likelihood` in the store's unit, n the (weighted) number of lives. `settled` is False where the
    likelihood has no inner highest point (all failures at one age, or too few): then nothing of it should be believed.
    `b10_lower` and `b10_upper`: two-sided 90 %, by `interval`: `profile` likelihood with fewer than 10 events, else
    `wald` on the log scale. `share`: the weight this distribution has in the answer.
    """

    distribution: str
    scale: float
    shape: float
    log_likelihood: float
    aicc: float
    b10: float
    b10_lower: float
    b10_upper: float
    median: float
    settled: bool
    share: float
    interval: str = "wald"


@dataclass(frozen=True, slots=True)
class LifeFit:
    """The fitted life of one component of one family (`component` None: of the unit itself).

    Ages in the store's unit. `b10`, `median`: ages by which 10 % and 50 % have failed, for the fleet's own mix of the
    covariates used, with two-sided 90 % intervals from the posterior. `distribution`, `scale`, `shape` (meanings: see
    `fits.distributions`) describe the curve through `b10` and `median`. `shrinkage`: the part of the answer that comes
    from the shared prior, 0 (none) to 1 (all). `shared`: whether a shared prior was learnt at all. `notes`: what a
    reader must know, in words: covariates, early failures, missed fails, doubts. `early_life`: failures in the first
    tenth of life against those expected. `verdicts`: how far B10 would move were 2 % of the verdicts wrong.
    """

    family: str
    component: str | None
    distribution: str
    scale: float
    shape: float
    b10: float
    b10_lower: float
    b10_upper: float
    median: float
    median_lower: float
    median_upper: float
    events: float
    lives: int
    exposure: float
    shrinkage: float
    shared: bool
    location: float
    sigma: float
    cloud: Cloud
    effects: Effects = field(default_factory=Effects)
    rivals: tuple[Rival, ...] = ()
    notes: tuple[str, ...] = ()
    early_life: EarlyLife = field(default_factory=lambda: EarlyLife(0.0, 0.0, 1.0))
    verdicts: VerdictDoubt = field(default_factory=lambda: VerdictDoubt(1.0, 1.0))

    def _point(self) -> LifeDraws:
        return LifeDraws(
            np.array([self.distribution]),
            np.array([self.location]),
            np.array([self.sigma]),
            self.effects.mean[None, :],
            self.effects,
        )

    def chance(self, age: Floats, covariates: pd.DataFrame | None = None) -> Floats:
        """P(life <= age), the point estimate; ages in the store's unit, shape of `age`."""
        value: Floats = -np.expm1(self._point().log_survival(age, covariates)[0])
        return value

    def chance_between(self, age: Floats, until: Floats, covariates: pd.DataFrame | None = None) -> Floats:
        """P(life <= until | life > age), the point estimate."""
        point = self._point()
        fall = point.log_survival(until, covariates)[0] - point.log_survival(age, covariates)[0]
        value: Floats = -np.expm1(np.minimum(fall, 0.0))
        return value

    def chance_interval(self, age: Floats, covariates: pd.DataFrame | None = None) -> tuple[Floats, Floats]:
        """Two-sided 90 % interval of P(life <= age)."""
        chances = -np.expm1(self.draws(1000, 0).log_survival(age, covariates))
        low, high = np.quantile(chances, [0.05, 0.95], axis=0)
        return low, high

    def draws(self, n: int, seed: int) -> LifeDraws:
        """n draws from the joint posterior (under the shared prior where there is one)."""
        return self.cloud.draws(n, seed, self.effects)


@dataclass(frozen=True, slots=True)
class CannotSay:
    """A component whose life can't be estimated, with the reason and what bound there is; the fields of `LifeFit`."""

    family: str
    component: str | None
    reason: str
    b10_lower: float = 0.0
    median_lower: float = 0.0
    events: float = 0.0
    lives: int = 0
    exposure: float = 0.0
    distribution: str | None = None
    scale: float = float("nan")
    shape: float = float("nan")
    b10: float = float("nan")
    b10_upper: float = float("inf")
    median: float = float("nan")
    median_upper: float = float("inf")
    shrinkage: float = float("nan")
    shared: bool = False
    effects: Effects = field(default_factory=Effects)
    rivals: tuple[Rival, ...] = ()
    notes: tuple[str, ...] = ()

    def chance(self, age: Floats, covariates: pd.DataFrame | None = None) -> Floats:
        """NaN for every age: it can't be said."""
        del covariates
        return np.full(len(age), np.nan)

    def draws(self, n: int, seed: int) -> LifeDraws:
        """n draws whose survival is NaN at every age: it can't be said."""
        del seed
        nothing = np.full(n, np.nan)
        return LifeDraws(np.full(n, "weibull"), nothing, nothing, np.zeros((n, 0)), Effects())


@dataclass(frozen=True, slots=True)
class LifeFits:
    """Fits by (family, component); component None for the units themselves."""

    fits: dict[tuple[str, str | None], LifeFit | CannotSay]

    def get(self, family: str, component: str | None = None) -> LifeFit | CannotSay:
        """The fit of a component (or, with None, of the family's units); a `CannotSay` where there is none."""
        return self.fits.get((family, component), CannotSay(family, component, "no life of it is known"))

    def __iter__(self) -> Iterator[LifeFit | CannotSay]:
        return iter(self.fits.values())

    def __len__(self) -> int:
        return len(self.fits)

    def frame(self) -> pd.DataFrame:
        """The columns of the `life` contract and: reason, notes (text)."""
        rows = [
            {name: getattr(fit, name) for name in LIFE_COLUMNS}
            | {"reason": fit.reason if isinstance(fit, CannotSay) else "", "notes": "; ".join(fit.notes)}
            for fit in self.fits.values()
        ]
        frame = pd.DataFrame(rows, columns=[*LIFE_COLUMNS, "reason", "notes"])
        texts = dict.fromkeys(("family", "component", "distribution", "reason", "notes"), "str")
        numbers = {name: "float64" for name in LIFE_COLUMNS if name not in texts and name not in ("events", "lives")}
        frame = frame.astype(texts | numbers)
        for name in ("events", "lives"):
            frame[name] = frame[name].astype("float64").round(6)
            if np.all(frame[name] == frame[name].round()):
                frame[name] = frame[name].astype("int64")
        return frame

    def doubts(self) -> pd.DataFrame:
        """Per fitted component: family, component, events, lives, early_observed, early_expected, early_p_value,
        early_signal, b10_if_false_fails, b10_if_missed_fails (B10 were 2 % of the verdicts wrong)."""
        fitted = [fit for fit in self.fits.values() if isinstance(fit, LifeFit)]
        rows = [
            (
                fit.family,
                fit.component,
                fit.events,
                fit.lives,
                fit.early_life.observed,
                fit.early_life.expected,
                fit.early_life.p_value,
                fit.early_life.signal,
                fit.b10 * fit.verdicts.false_fails,
                fit.b10 * fit.verdicts.missed_fails,
            )
            for fit in fitted
        ]
        early = ["early_observed", "early_expected", "early_p_value", "early_signal"]
        ifs = ["b10_if_false_fails", "b10_if_missed_fails"]
        return pd.DataFrame(rows, columns=["family", "component", "events", "lives", *early, *ifs])

    def rivals(self) -> pd.DataFrame:
        """Every distribution tried, per component: the columns of `Rival`, and `chosen` (whether it is named)."""
        rows = [
            {"family": fit.family, "component": fit.component}
            | {name: getattr(rival, name) for name in Rival.__slots__}
            | {"chosen": rival.distribution == fit.distribution}
            for fit in self.fits.values()
            for rival in fit.rivals
        ]
        return pd.DataFrame(rows, columns=["family", "component", *Rival.__slots__, "chosen"])


def curve_through(name: str, b10: float, median: float) -> tuple[float, float]:
    """Location and sigma of the distribution that has this B10 and this median (exponential: this median)."""
    dist = BY_NAME[name]
    if dist.sigma_is_one:
        return float(np.log(median)) - dist.z_at(0.5), 1.0
    sigma = float(np.log(median) - np.log(b10)) / (dist.z_at(0.5) - dist.z_at(0.1))
    return float(np.log(median)) - sigma * dist.z_at(0.5), sigma
