"""Lives that once broke an optimiser, or could: every file says why in its first line."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.distributions import DISTRIBUTIONS
from rebuildstats.fits.intervals import fit_plain
from rebuildstats.fits.life import fit_lives
from rebuildstats.fits.plots import probability_plot
from rebuildstats.fits.results import CannotSay, LifeFit
from rebuildstats.fits.turnbull import turnbull
from tests.fits.fleets_of_lives import fleet_of_lives

CASES = sorted(Path(__file__).parent.glob("*.csv"))


def read(path: Path) -> pd.DataFrame:
    table = pd.read_csv(path, comment="#", dtype=float)
    return table.assign(family="F0", component="hard", unit="U", part="P", site="north", duty="road")


def test_every_case_says_why() -> None:
    assert CASES
    for path in CASES:
        assert len(path.read_text(encoding="utf-8").splitlines()[0]) > 20


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_alone(path: Path) -> None:
    lives = read(path)
    components = pd.DataFrame({"family": ["F0"], "component": ["hard"], "group": ["ring"]})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_lives(lives, components).get("F0", "hard")
    check(fit)
    plain = [
        fit_plain(d, *(lives[c].to_numpy() for c in AGES), weight=lives["weight"].to_numpy()) for d in DISTRIBUTIONS
    ]
    for each in plain:
        low, high = each.age.interval
        assert 0 <= low <= high
    if isinstance(fit, LifeFit):
        plot = probability_plot(fit, lives)
        assert plot.line["chance"].is_monotonic_increasing
        assert plot.line.notna().all().all()


AGES = ("entry_age", "lower_age", "upper_age")


def test_among_others_they_spoil_nothing() -> None:
    fleet = fleet_of_lives(2, components=10)
    hard = [read(path).assign(component=path.stem, unit=path.stem) for path in CASES]
    names = [path.stem for path in CASES]
    odd = pd.DataFrame({"family": "F0", "component": names, "group": "group 0"})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fits = fit_lives(
            pd.concat([fleet.lives.assign(weight=1.0), *hard], ignore_index=True), pd.concat([fleet.components, odd])
        )
    for name in names:
        fit = fits.get("F0", name)
        check(fit)
        assert isinstance(fit, LifeFit)  # with others to learn from there is always an answer
    frame = fits.frame().set_index("component").loc[fleet.components["component"]]
    truth = fleet.truth.set_index("component").loc[frame.index]
    assert np.abs(np.log(frame["b10"] / truth["true_b10"])).median() < 0.4


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_turnbull(path: Path) -> None:
    lives = read(path)
    found = turnbull(*(lives[c].to_numpy() for c in AGES), weight=lives["weight"].to_numpy())
    assert found.mass.sum() == pytest.approx(1.0)
    assert (found.mass >= 0).all()
    assert np.isfinite(found.log_likelihood)


def check(fit: LifeFit | CannotSay) -> None:
    assert 0 <= fit.b10_lower <= fit.b10_upper
    assert 0 <= fit.median_lower <= fit.median_upper
    if isinstance(fit, CannotSay):
        assert fit.reason
        return
    assert fit.b10_lower < fit.b10 < fit.b10_upper
    assert fit.median_lower < fit.median < fit.median_upper
    assert fit.b10 < fit.median
    assert np.isfinite([fit.scale, fit.shape]).all()
    survival = fit.draws(20, 1).log_survival(np.array([0.0, fit.b10, fit.median, 100 * fit.median]))
    assert not np.isnan(survival).any()
    assert (np.diff(survival, axis=1) <= 0).all()
