"""Rebuilds after the first: the renewal function of known lives, and units drawn event by event."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.demand.comebacks import Places, from_position_lives, from_unit_lives
from rebuildstats.demand.hazards import Hazard, age_grid

GRID = age_grid(40.0)
NEVER = Hazard(GRID, 0.0 * GRID, 0.0 * GRID[None, :], 0.0)


def life(hazard: np.ndarray) -> Hazard:
    return Hazard(GRID, hazard, hazard[None, :], float(hazard[-1] / GRID[-1]))


def two_stage(rate: float) -> Hazard:
    """Life of two exponential stages: survival (1 + rate t) exp(-rate t)."""
    return life(rate * GRID - np.log1p(rate * GRID))


def place(new: Hazard, ages: np.ndarray, gone: np.ndarray, repaired: float = 0.0, renewed: float = 0.0) -> Places:
    each = np.diff(new.cumulative(ages[:, :, None] + gone[:, None, :]), axis=2)
    return Places(each, new, repaired, renewed, 1.0)


def test_a_new_position_fails_as_often_as_the_renewal_function_says() -> None:
    # Cox 1962, Renewal Theory: two exponential stages of rate r give H(t) = r t / 2 - (1 - exp(-2 r t)) / 4 renewals
    gone = np.linspace(0.0, 10.0, 61)[None, :]
    new = place(two_stage(0.9), np.zeros((1, 1)), gone)
    rebuilt, mended, _ = from_position_lives([new], NEVER, np.zeros((1, 60)), gone)
    t = gone[0, 1:]
    # what comes back within its own sixtieth is counted in the next, which lags a little
    assert np.cumsum(rebuilt[0]) == pytest.approx(0.45 * t - (1.0 - np.exp(-1.8 * t)) / 4.0, rel=0.02, abs=0.02)
    assert not mended.any()


def test_a_unit_renewed_whole_and_its_only_position_agree() -> None:
    gone = np.linspace(0.0, 6.0, 37)[None, :]
    new = two_stage(0.9)
    gathered = np.diff(new.cumulative(gone), axis=1)
    left = np.exp(-np.concatenate([[[0.0]], np.cumsum(gathered, axis=1)], axis=1))
    first = left[:, :-1] - left[:, 1:]
    again = from_unit_lives(new, NEVER, first, gone)
    rebuilt, _, _ = from_position_lives([place(new, np.zeros((1, 1)), gone)], NEVER, np.zeros_like(first), gone)
    # the one follows what comes back from the interval it began in, the other from the next
    assert (rebuilt - first).sum() == pytest.approx(again.sum(), rel=0.02)


def test_units_of_several_positions_come_in_as_often_as_drawn_ones_do() -> None:
    rng = np.random.default_rng(11)
    ages = {"ring": np.array([0.2, 1.5, 2.5, 2.8]), "seal": np.array([1.0, 1.0])}
    # cumulative hazard (t / scale) ^ shape; mended, and renewed at rebuilds that others caused
    of = {"ring": (3.0, 4.0, 0.3, 0.1), "seal": (4.0, 2.0, 0.0, 0.9)}
    gone = np.linspace(0.0, 3.0, 19)[None, :]
    places = []
    for name, (scale, shape, repaired, renewed) in of.items():
        places.append(place(life((GRID / scale) ** shape), ages[name][None, :], gone, repaired, renewed))
    rebuilt, mended, caused = from_position_lives(places, NEVER, np.zeros((1, 18)), gone)

    position = [(n, a) for n, own in ages.items() for a in own]
    scale, shape, repaired, renewed = (np.array([of[n][i] for n, _ in position]) for i in range(4))
    runs, rebuilds, repairs, caused_by_rings = 4000, 0, 0, 0
    for _ in range(runs):
        begun, age = 0.0, np.array([a for _, a in position])
        left = scale * ((age / scale) ** shape + rng.exponential(size=6)) ** (1 / shape) - age
        while begun + left.min() <= 3.0:
            i = int(left.argmin())
            begun += left[i]
            left -= left[i]
            mending = rng.random() < repaired[i]
            new = np.arange(6) == i
            if not mending:
                new |= rng.random(6) < renewed
            left[new] = scale[new] * rng.exponential(size=int(new.sum())) ** (1 / shape[new])
            rebuilds, repairs = rebuilds + (not mending), repairs + mending
            caused_by_rings += not mending and position[i][0] == "ring"
    # other positions' rebuilds are taken to come independently of the own failure: a few hundredths too many
    assert rebuilt.sum() == pytest.approx(rebuilds / runs, rel=0.05)
    assert mended.sum() == pytest.approx(repairs / runs, rel=0.05)
    assert np.sum(caused, axis=0) == pytest.approx(rebuilt)  # none comes without a failure
    assert caused[0].sum() == pytest.approx(caused_by_rings / runs, rel=0.05)


def test_a_rebuild_by_schedule_renews_what_it_finds() -> None:
    gone = np.linspace(0.0, 3.0, 13)[None, :]
    old = np.full((1, 1), 2.0)
    worn = life((GRID / 3.0) ** 4.0)
    calm = np.zeros((1, 12))
    plain, _, _ = from_position_lives([place(worn, old, gone, renewed=1.0)], NEVER, calm, gone)
    calm[0, 0] = 1.0
    early, _, caused = from_position_lives([place(worn, old, gone, renewed=1.0)], NEVER, calm, gone)
    assert early[0, 0] > 0.99
    assert caused[0][0, 0] < 0.2  # what came by schedule, nothing caused
    assert early[0, 1:].sum() < 0.6 * plain[0, 1:].sum()
