"""Profile-likelihood intervals of an age at which a share has failed, and of the shape, for many components at once.

An interval holds every value whose best likelihood, over the other parameter, is within half a chi-square quantile of
the best of all (Meeker, Escobar & Pascual 2022, ch. 8; Venzon & Moolgavkar 1988, Applied Statistics 37:87). In small
samples it is far from the Wald interval, and is the one to believe. A side on which the likelihood never falls that
far is open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Ints, Lives, derivatives
from rebuildstats.fits.newton import LOG_SIGMA_MAX, LOG_SIGMA_MIN, Modes

_OUTER: Final = 40
_INNER: Final = 30
_FARTHEST: Final = 12.0
# a step so short, gaining so little, is taken without a look; a root so near is found by one more such step
_SHORT: Final = 1e-4
_GAIN: Final = 1e-6
_NEAR: Final = 1e-6
# how far the other parameter is followed along its tangent
_TRUSTED: Final = 0.5


Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Point:
    """Per component (m): log likelihood and its derivatives by the other and the wanted parameter: `first`, `second`
    by the other, `slope` by the wanted, `cross` by both."""

    value: Floats
    first: Floats
    second: Floats
    slope: Floats
    cross: Floats

    def put(self, chosen: Bools | Ints, new: _Point) -> None:
        """Write another's components over the chosen ones."""
        for name in _Point.__slots__:
            getattr(self, name)[chosen] = getattr(new, name)

    def select(self, chosen: Bools) -> _Point:
        """Only the components for which `chosen` is true."""
        return _Point(*(getattr(self, name)[chosen] for name in _Point.__slots__))


@dataclass(frozen=True, slots=True)
class _Path:
    """How (wanted, other) become (location, log sigma): an age quantile (`z` its place) or log sigma itself."""

    dist: Distribution
    lives: Lives
    z: float | None

    def select(self, chosen: Bools) -> _Path:
        """Only the components for which `chosen` is true."""
        return self if chosen.all() else _Path(self.dist, self.lives.select(chosen), self.z)

    def start(self, parameters: Floats) -> tuple[Floats, Floats]:
        if self.z is None:
            return parameters[:, 1].copy(), parameters[:, 0].copy()
        return parameters[:, 0] + np.exp(parameters[:, 1]) * self.z, parameters[:, 1].copy()

    def at(self, wanted: Floats, other: Floats) -> _Point:
        """The log likelihood at these parameters."""
        if self.z is None:
            d = derivatives(self.dist, self.lives, other, wanted)
            return _Point(d.value, d.location, d.location_location, d.spread, d.location_spread)
        tilt = self.z * np.exp(other)
        d = derivatives(self.dist, self.lives, wanted - tilt, other)
        first = d.spread - tilt * d.location
        second = (
            d.spread_spread - 2.0 * tilt * d.location_spread + tilt * tilt * d.location_location - tilt * d.location
        )
        return _Point(d.value, first, second, d.location, d.location_spread - tilt * d.location_location)

    def best(self, wanted: Floats, other: Floats) -> tuple[_Point, Floats]:
        """The highest point with the wanted parameter held, and the other parameter there.

        The last short step is not looked at: value and slope after it come from the derivatives before it.
        """
        low, high = (LOG_SIGMA_MIN, LOG_SIGMA_MAX) if self.z is not None else (-np.inf, np.inf)
        other, width = np.clip(other, low, high), np.full(len(wanted), 1.0)
        here = self.at(wanted, other)
        if self.dist.sigma_is_one:
            return here, other
        places, path, seeking = np.arange(len(wanted)), self, here
        for _ in range(_INNER):
            bend = np.where(seeking.second < -1e-9, -seeking.second, np.abs(seeking.second) + 1e-3)
            reach = width[places]
            trial = np.clip(other[places] + np.clip(seeking.first / bend, -reach, reach), low, high)
            step = trial - other[places]
            short = np.abs(step) < np.where((seeking.second < -1e-9) & (bend * step * step < _GAIN), _SHORT, 1e-7)
            last = places[short]
            other[last] = trial[short]
            here.put(last, _ahead(seeking.select(short), step[short]))
            if short.all():
                break
            if short.any():
                places, path, seeking = places[~short], path.select(~short), seeking.select(~short)
                trial, step = trial[~short], step[~short]
            new = path.at(wanted[places], trial)
            worse = ~(new.value >= seeking.value - 1e-10 * (1.0 + np.abs(seeking.value)))
            width[places] = np.where(worse, 0.3 * np.abs(step), np.maximum(width[places], 2.0 * np.abs(step)))
            other[places[~worse]] = trial[~worse]
            seeking.put(~worse, new.select(~worse))
            here.put(places, seeking)
        return here, other


def _ahead(point: _Point, step: Floats) -> _Point:
    """The point after a short step of the other parameter."""
    return _Point(
        point.value + (point.first + 0.5 * point.second * step) * step,
        point.first + point.second * step,
        point.second,
        point.slope + point.cross * step,
        point.cross,
    )


def profile_age(
    dist: Distribution, lives: Lives, modes: Modes, chance: float, *, level: float = 0.9
) -> tuple[Floats, Floats]:
    """Lower and upper log age (m) at which `chance` have failed; -inf and inf where a side is open or nothing
    settled.
    """
    z = dist.z_at(chance)
    return _both(_Path(dist, lives, z), modes, level)


def profile_log_sigma(dist: Distribution, lives: Lives, modes: Modes, *, level: float = 0.9) -> tuple[Floats, Floats]:
    """Lower and upper log sigma (m) of log age."""
    return _both(_Path(dist, lives, None), modes, level)


def _both(path: _Path, modes: Modes, level: float) -> tuple[Floats, Floats]:
    drop = 0.5 * float(chi2.ppf(level, 1))
    return _side(path, modes, drop, -1.0), _side(path, modes, drop, 1.0)


def _side(path: _Path, modes: Modes, drop: float, sign: float) -> Floats:
    """Where the profile has fallen by `drop` on one side: bracketed outward, then by Newton's method on its signed
    root inside the bracket.
    """
    out = np.full(len(modes.settled), sign * np.inf)
    places = np.flatnonzero(modes.settled)
    if len(places):
        path = path.select(modes.settled)
        walk = _bracketed(path, modes.parameters[places], modes.log_likelihood[places], drop, sign)
        closed = walk.outer_root >= 0
        if closed.any():
            out[places[closed]] = _inside(path.select(closed), walk.select(closed))
    return out


@dataclass(frozen=True, slots=True)
class _Walk:
    """Per component (m) the way along the profile: `top`, the highest log likelihood, and `target`, the signed root of
    the fall sought; `inner` and `outer` ends of the bracket with the root's excess there; where it was looked at last
    (`wanted`, `other`), the `excess` there, its `rise` by the wanted parameter, and the `tangent` of the other's."""

    top: Floats
    target: Floats
    inner: Floats
    inner_root: Floats
    outer: Floats
    outer_root: Floats
    wanted: Floats
    other: Floats
    excess: Floats
    rise: Floats
    tangent: Floats

    def select(self, chosen: Bools | Ints) -> _Walk:
        """Only the chosen components."""
        return _Walk(*(getattr(self, name)[chosen] for name in _Walk.__slots__))

    def look(self, path: _Path, places: Ints, wanted: Floats) -> None:
        """Look at the profile of the components at `places`, of which `path` is, at these wanted parameters."""
        along = self.tangent[places] * (wanted - self.wanted[places])
        # a location that fits one sigma may be far off, in units of it, for a smaller one: there the last is safer
        trusted = 0.0 if path.z is None else _TRUSTED
        guess = self.other[places] + np.clip(along, -trusted, trusted)
        point, other = path.best(wanted, guess)
        self.note(path, places, wanted, other, point)

    def note(self, path: _Path, places: Ints, wanted: Floats, other: Floats, point: _Point) -> None:
        """Write down what was seen."""
        root = np.sqrt(2.0 * np.maximum(self.top[places] - np.nan_to_num(point.value, nan=-np.inf), 0.0))
        bent = (point.second < 0) & np.isfinite(point.cross) & (not path.dist.sigma_is_one)
        self.wanted[places], self.other[places] = wanted, other
        self.excess[places] = root - self.target[places]
        self.rise[places] = -point.slope / np.maximum(root, 1e-9)
        self.tangent[places] = np.where(bent, -point.cross / np.where(bent, point.second, 1.0), 0.0)


def _bracketed(path: _Path, parameters: Floats, top: Floats, drop: float, sign: float) -> _Walk:
    """Outward from the mode in growing steps to where the profile has fallen by more than `drop`."""
    centre, other = path.start(parameters)
    target = np.full(len(top), np.sqrt(2.0 * drop))
    ends = centre, -target, centre, -target, centre, other, -target, -target, -target
    walk = _Walk(top, target, *(end.copy() for end in ends))
    seeking = np.arange(len(top))
    walk.note(path, seeking, centre, other, path.at(centre, other))
    reach = 0.25
    while len(seeking) and reach < _FARTHEST:
        walk.look(path, seeking, centre[seeking] + sign * reach)
        walk.outer[seeking], walk.outer_root[seeking] = walk.wanted[seeking], walk.excess[seeking]
        short = walk.excess[seeking] < 0
        path, seeking = path.select(short), seeking[short]
        walk.inner[seeking], walk.inner_root[seeking] = walk.wanted[seeking], walk.excess[seeking]
        reach *= 1.7
    return walk


def _inside(path: _Path, walk: _Walk) -> Floats:
    """The wanted parameter at which the profile has fallen by the drop, between the ends of the bracket.

    Newton's method, the profile's slope being that of the likelihood by the wanted parameter; by false position where
    that leaves the bracket, and by halving where neither gets on.
    """
    seeking = np.arange(len(walk.top))
    for turn in range(_OUTER):
        now = walk.select(seeking)
        gap = now.outer_root - now.inner_root
        part = np.where((gap > 0) & (turn % 4 != 3), -now.inner_root / np.where(gap > 0, gap, 1.0), 0.5)
        middle = now.inner + np.clip(part, 0.02, 0.98) * (now.outer - now.inner)
        newton = _newton(now)
        walk.look(path, seeking, np.where((newton - now.inner) * (newton - now.outer) < 0, newton, middle))
        now = walk.select(seeking)
        below = now.excess < 0
        low, high = seeking[below], seeking[~below]
        walk.inner[low], walk.inner_root[low] = now.wanted[below], now.excess[below]
        walk.outer[high], walk.outer_root[high] = now.wanted[~below], now.excess[~below]
        there = (np.abs(now.excess) < _NEAR) | (np.abs(walk.outer[seeking] - walk.inner[seeking]) < 1e-9)
        if there.all():
            break
        if there.any():
            path, seeking = path.select(~there), seeking[~there]
    # from so near the last step needs no look
    last = _newton(walk)
    near = (np.abs(walk.excess) < _NEAR) & (np.abs(last - walk.wanted) < 1e-4)
    return np.where(near, last, walk.wanted)


def _newton(walk: _Walk) -> Floats:
    """Where the tangent at the last look meets the target."""
    usable = np.isfinite(walk.excess) & np.isfinite(walk.rise) & (walk.rise != 0)
    return np.asarray(walk.wanted - np.where(usable, walk.excess, np.inf) / np.where(usable, walk.rise, 1.0))
