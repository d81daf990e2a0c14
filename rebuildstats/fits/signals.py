"""Two doubts about a fit: failures too early for wear, and verdicts that may be wrong.

Both are found for all components at once, beside the fit, and change nothing in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.distributions import BY_NAME, DISTRIBUTIONS, Floats
from rebuildstats.fits.early import first_tenth
from rebuildstats.fits.likelihood import Lives, Part
from rebuildstats.fits.newton import Prior, find_modes

#: The share of verdicts taken as wrong when a fit's sensitivity to them is shown.
WRONG_VERDICTS = 0.02
_FEWEST_EARLY = 2.0
_SIGNAL = 0.01


@dataclass(frozen=True, slots=True)
class EarlyLife:
    """Failures in the first tenth of life (a tenth of the median): `observed`, `expected` by the wear fit, and
    `p_value`, the chance of as many or more where there is wear alone (Poisson). `signal`: p below 1 % and at least
    two of them: look at fitting and parts, not at wear."""

    observed: float
    expected: float
    p_value: float

    @property
    def signal(self) -> bool:
        """Whether it deserves a look."""
        return self.p_value < _SIGNAL and self.observed >= _FEWEST_EARLY


@dataclass(frozen=True, slots=True)
class VerdictDoubt:
    """B10 refitted over B10 as it stands, were 2 % of the verdicts wrong: `false_fails` (good ones written down as
    failed), `missed_fails` (failed ones written down as good). 1: it makes no difference."""

    false_fails: float
    missed_fails: float


def early_life(lives: Lives, names: npt.NDArray[np.str_], location: Floats, sigma: Floats) -> list[EarlyLife]:
    """The early-life signal of every component.

    Parameters
    ----------
    lives : Lives
        As written (early failures not set apart), shifted by the covariates used.
    names, location, sigma : arrays (m)
        The fitted curve of each component, scaled as the lives are.
    """
    found = [EarlyLife(0.0, 0.0, 1.0)] * lives.components
    parameters = np.column_stack([location, np.log(sigma)])
    for name in np.unique(names):
        chosen = names == name
        dist = BY_NAME[str(name)]
        counts = zip(*first_tenth(dist, lives.select(chosen), parameters[chosen]), strict=True)
        for place, (observed, expected, p_value) in zip(np.flatnonzero(chosen), counts, strict=True):
            found[int(place)] = EarlyLife(float(observed), float(expected), float(p_value))
    return found


def verdict_doubt(lives: Lives, prior: Prior, *, wrong: float = WRONG_VERDICTS) -> list[VerdictDoubt]:
    """How far B10 would move were a share `wrong` of the verdicts at teardowns wrong (each life with both readings).

    Exact failures, which brought the vehicle in, are not doubted. The likeliest distribution of each component is
    used, under the weak prior given; the ratio of two fits of one kind hardly depends on which.
    """
    dists = [d for d in DISTRIBUTIONS if not d.sigma_is_one]
    base = [find_modes(d, lives, prior) for d in dists]
    best = np.stack([x.log_likelihood for x in base]).argmax(axis=0)
    ratios = []
    for changed in (_false_fails(lives, wrong), _missed_fails(lives, wrong)):
        moved = []
        for dist, modes in zip(dists, base, strict=True):
            again = find_modes(dist, changed, prior, modes.parameters).parameters
            z = dist.z_at(0.1)
            old, new = modes.parameters, again
            moved.append((new[:, 0] + np.exp(new[:, 1]) * z) - (old[:, 0] + np.exp(old[:, 1]) * z))
        ratios.append(np.exp(np.stack(moved)[best, np.arange(lives.components)]))
    return [VerdictDoubt(float(a), float(b)) for a, b in zip(*ratios, strict=True)]


def _false_fails(lives: Lives, wrong: float) -> Lives:
    """Each life found failed stands also, with weight `wrong`, as still good when it was found."""
    found = lives.between
    good = Part(found.of, found.until, found.until, found.weight * wrong, found.row)
    return Lives(lives.components, lives.exact, _times(found, 1.0 - wrong), _joined(lives.running, good), lives.entered)


def _missed_fails(lives: Lives, wrong: float) -> Lives:
    """Each life of a component seen at teardowns stands also, with weight `wrong`, as failed before it was last seen
    good.
    """
    at_teardown = np.zeros(lives.components, dtype=bool)
    at_teardown[lives.between.of] = True
    running = lives.running
    doubted = at_teardown[running.of]
    failed = Part(running.of, np.full(len(running.of), -500.0), running.at, running.weight * wrong, running.row)
    weight = np.where(doubted, running.weight * (1.0 - wrong), running.weight)
    rest = Part(running.of, running.at, running.until, weight, running.row)
    return Lives(lives.components, lives.exact, _joined(lives.between, failed.keep(doubted)), rest, lives.entered)


def _times(part: Part, factor: float) -> Part:
    return Part(part.of, part.at, part.until, part.weight * factor, part.row)


def _joined(one: Part, other: Part) -> Part:
    order = np.argsort(np.concatenate([one.of, other.of]), kind="stable")
    return Part(*(np.concatenate([getattr(one, n), getattr(other, n)])[order] for n in Part.__slots__))
