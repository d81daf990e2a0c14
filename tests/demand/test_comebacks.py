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


def place(
    new: Hazard,
    ages: np.ndarray,
    gone: np.ndarray,
    repaired: float = 0.0,
    renewed: float = 0.0,
    always: bool = False,
) -> Places:
    each = np.diff(new.cumulative(ages[:, :, None] + gone[:, None, :]), axis=2)
    return Places(each, new, repaired, renewed, always, 1.0)


def first_of(places: list[Places]) -> np.ndarray:
    """Chance of the first rebuild in each interval, where only failures bring the unit in."""
    total = np.sum([p.bringing for p in places], axis=0)
    left = np.exp(-np.concatenate([np.zeros((len(total), 1)), np.cumsum(total, axis=1)], axis=1))
    return left[:, :-1] - left[:, 1:]


def from_failures(places: list[Places], gone: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Rebuilds, repairs, and the rebuilds that each of `places` causes, where nothing is scheduled."""
    first = first_of(places)
    again, mended, caused = from_position_lives(places, NEVER, first, np.zeros_like(first), gone)
    share = first / np.sum([p.bringing for p in places], axis=0)
    return first + again, mended, [c + p.bringing * share for c, p in zip(caused, places, strict=True)]


def test_a_new_position_fails_as_often_as_the_renewal_function_says() -> None:
    # Cox 1962, Renewal Theory: two exponential stages of rate r give H(t) = r t / 2 - (1 - exp(-2 r t)) / 4 renewals
    gone = np.linspace(0.0, 10.0, 61)[None, :]
    new = place(two_stage(0.9), np.zeros((1, 1)), gone)
    rebuilt, mended, _ = from_failures([new], gone)
    t = gone[0, 1:]
    # what comes back within its own sixtieth is counted in the next, which lags a little
    assert np.cumsum(rebuilt[0]) == pytest.approx(0.45 * t - (1.0 - np.exp(-1.8 * t)) / 4.0, rel=0.02, abs=0.02)
    assert not mended.any()


@pytest.mark.parametrize("always", [False, True])
def test_a_unit_renewed_whole_and_its_only_position_agree(always: bool) -> None:
    gone = np.linspace(0.0, 6.0, 37)[None, :]
    new = two_stage(0.9)
    only = [place(new, np.zeros((1, 1)), gone, always=always)]
    again = from_unit_lives(new, NEVER, first_of(only), gone)
    rebuilt, _, _ = from_failures(only, gone)
    # the one follows what comes back from the interval it began in, the other from the next
    assert (rebuilt - first_of(only)).sum() == pytest.approx(again.sum(), rel=0.02)


@pytest.mark.parametrize(
    ("seal_age", "seal", "off"),
    # cumulative hazard (t / scale) ^ shape; mended, and renewed at rebuilds that others caused
    [
        (1.0, (4.0, 2.0, 0.0, 0.9), 0.05),
        (1.0, (4.0, 2.0, 0.0, 1.0), 0.05),
        (2.4, (3.0, 6.0, 0.1, 1.0), 0.06),  # all of one age, and soon due together
    ],
)
def test_units_of_several_positions_come_in_as_often_as_drawn_ones_do(
    seal_age: float, seal: tuple[float, float, float, float], off: float
) -> None:
    rng = np.random.default_rng(11)
    ages = {"ring": np.array([0.2, 1.5, 2.5, 2.8]), "seal": np.full(4, seal_age)}
    of = {"ring": (3.0, 4.0, 0.3, 0.1), "seal": seal}
    gone = np.linspace(0.0, 3.0, 19)[None, :]
    places = []
    for name, (scale, shape, repaired, renewed) in of.items():
        new = life((GRID / scale) ** shape)
        places.append(place(new, ages[name][None, :], gone, repaired, renewed, always=renewed == 1.0))
    rebuilt, mended, caused = from_failures(places, gone)

    position = [(n, a) for n, own in ages.items() for a in own]
    scale, shape, repaired, renewed = (np.array([of[n][i] for n, _ in position]) for i in range(4))
    runs, rebuilds, repairs, caused_by_rings = 4000, 0, 0, 0
    for _ in range(runs):
        begun, age = 0.0, np.array([a for _, a in position])
        left = scale * ((age / scale) ** shape + rng.exponential(size=8)) ** (1 / shape) - age
        while begun + left.min() <= 3.0:
            i = int(left.argmin())
            begun += left[i]
            left -= left[i]
            mending = rng.random() < repaired[i]
            new = np.arange(8) == i
            if not mending:
                new |= rng.random(8) < renewed
            left[new] = scale[new] * rng.exponential(size=int(new.sum())) ** (1 / shape[new])
            rebuilds, repairs = rebuilds + (not mending), repairs + mending
            caused_by_rings += not mending and position[i][0] == "ring"
    # other positions' rebuilds are taken to come independently of the own failure: a few hundredths too many
    assert rebuilt.sum() == pytest.approx(rebuilds / runs, rel=off)
    assert mended.sum() == pytest.approx(repairs / runs, rel=off)
    assert np.sum(caused, axis=0) == pytest.approx(rebuilt)  # none comes without a failure
    assert caused[0].sum() == pytest.approx(caused_by_rings / runs, rel=off)


@pytest.mark.parametrize("always", [False, True])
def test_a_rebuild_by_schedule_renews_what_it_finds(always: bool) -> None:
    gone = np.linspace(0.0, 3.0, 13)[None, :]
    worn = [place(life((GRID / 3.0) ** 4.0), np.full((1, 1), 2.0), gone, renewed=1.0, always=always)]
    plain, _, _ = from_failures(worn, gone)
    calm = np.zeros((1, 12))
    calm[0, 0] = 1.0
    early, _, caused = from_position_lives(worn, NEVER, calm, calm, gone)
    assert caused[0][0, 0] < 0.2  # what came by schedule, nothing caused
    assert early[0, 1:].sum() < 0.6 * plain[0, 1:].sum()
