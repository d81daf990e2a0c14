"""Makes of a part side by side: which lasts longer, and is it worth its price."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.life import fit_lives
from rebuildstats.fits.makes import COLUMNS, compare_makes
from rebuildstats.fits.results import LifeFit
from tests.fits.fleets_of_lives import fleet_of_lives, inspected


def two_makes(ratio: float, *, seed: int = 0, count: int = 240) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A fleet in which one component has two makes, the cheap one lasting `ratio` times as long; half run in a
    quarry.
    """
    fleet = fleet_of_lives(3, components=8, duties=True)
    rng = np.random.default_rng(seed)
    cheap, harsh = rng.random(count) < 0.5, rng.random(count) < 0.4
    ages = 200e3 * rng.weibull(2.5, count) * np.where(cheap, ratio, 1.0) / np.where(harsh, 1.7, 1.0)
    lower, upper = inspected(rng, ages, exact=False)
    lives = pd.DataFrame(
        {
            "family": "F9",
            "component": "X",
            "unit": [f"W{i}" for i in range(count)],
            "entry_age": 0.0,
            "lower_age": lower,
            "upper_age": upper,
            "part": np.where(cheap, "cheap", "dear"),
            "duty": np.where(harsh, "quarry", "road"),
            "site": "north",
            "shows": "at_teardown",
        }
    ).astype({"part": "str", "duty": "str"})
    own = pd.DataFrame({"family": ["F9"], "component": ["X"], "group": ["group 1"]})
    return pd.concat([fleet.lives, lives], ignore_index=True), pd.concat([fleet.components, own])


PARTS = pd.DataFrame({"part": ["cheap", "dear"], "unit_cost": [30.0, 40.0]})
USES = pd.DataFrame({"family": "F9", "component": "X", "part": ["cheap", "dear"], "quantity": [2.0, 2.0]})


def test_the_longer_lasting_make_and_its_cost() -> None:
    lives, components = two_makes(0.6)
    fits = fit_lives(lives, components)
    fit = fits.get("F9", "X")
    assert isinstance(fit, LifeFit)
    assert any("of make cheap last 0." in note or "of make dear last 1." in note for note in fit.notes)
    found = compare_makes(fits, lives, PARTS, USES)
    assert list(found.columns) == list(COLUMNS)
    rows = found.set_index("part")
    assert set(rows.index) == {"cheap", "dear"}
    cheap, dear = rows.loc["cheap"], rows.loc["dear"]
    other = cheap if cheap["against"] == "dear" else dear
    true_ratio = 0.6 if other is cheap else 1 / 0.6
    assert other["ratio_lower"] < true_ratio < other["ratio_upper"]
    assert cheap["p_value"] < 0.001
    assert cheap["b10"] < dear["b10"]
    assert cheap["events"] + dear["events"] == fit.events
    # 2 x 40 over the mean life of the dear make in this mix of duties: 200,000 x gamma(1.4) x (.6 + .4 / 1.7)
    mean = 200e3 * 0.8873 * 0.835
    assert dear["cost_lower"] < 80 * 10_000 / mean < dear["cost_upper"]
    # the cheap one is dearer to run: 0.75 of the price, 0.6 of the life
    assert cheap["cost_per_10000"] > dear["cost_per_10000"]


def test_alike_makes_are_not_told_apart() -> None:
    lives, components = two_makes(1.0, seed=5)
    fits = fit_lives(lives, components)
    assert not any("part" in note for note in fits.get("F9", "X").notes)
    rows = compare_makes(fits, lives, PARTS, USES)
    assert (rows["p_value"] > 0.002).all()
    assert ((rows["ratio_lower"] <= 1.0) & (rows["ratio_upper"] >= 1.0)).all()


def test_without_prices_lives_are_compared_all_the_same() -> None:
    lives, components = two_makes(0.6)
    rows = compare_makes(fit_lives(lives, components), lives, PARTS.iloc[:0], USES.iloc[:0])
    assert len(rows) == 2
    assert rows["cost_per_10000"].isna().all()
    assert rows["b10"].notna().all()


def test_one_make_is_no_comparison() -> None:
    fleet = fleet_of_lives(3, components=4)
    assert compare_makes(fit_lives(fleet.lives, fleet.components), fleet.lives, PARTS, USES).empty


def test_a_life_run_on_two_duties_counts_its_distance_on_each() -> None:
    # half of all lives change duty on the way; with the part of each known, the pure effect is found again
    rng = np.random.default_rng(8)
    n = 900
    share = np.where(rng.random(n) < 0.5, rng.uniform(0.5, 1.0, n), 1.0)
    harsh = rng.random(n) < 0.4
    on_harsh = np.where(harsh, share, 1.0 - share)
    ages = 200e3 * rng.weibull(2.5, n) / (on_harsh * 2.0 + (1.0 - on_harsh))
    lower, upper = inspected(rng, ages, exact=True)
    lives = pd.DataFrame(
        {
            "family": "F",
            "component": [f"C{i % 3}" for i in range(n)],
            "entry_age": 0.0,
            "lower_age": lower,
            "upper_age": upper,
            "duty": np.where(harsh, "quarry", "road"),
            "duty_share": share,
        }
    ).astype({"duty": "str"})
    components = pd.DataFrame({"family": "F", "component": ["C0", "C1", "C2"], "group": "seal"})
    known = fit_lives(lives, components)
    blurred = fit_lives(lives.drop(columns="duty_share"), components)
    effect, weaker = (np.exp(float(fits.get("F", "C0").effects.mean[0])) for fits in (known, blurred))
    assert effect == pytest.approx(0.5, rel=0.1)
    assert weaker > effect * 1.08


def test_cost_ratio_is_price_ratio_over_life_ratio() -> None:
    lives, components = two_makes(0.6)
    rows = compare_makes(fit_lives(lives, components), lives, PARTS, USES)
    other = rows[rows["part"] != rows["against"]].iloc[0]
    price = dict(zip(PARTS["part"], PARTS["unit_cost"], strict=True))
    expected = price[other["part"]] / price[other["against"]] / other["ratio"]
    assert other["cost_ratio"] == pytest.approx(expected, rel=0.02)
    assert other["cost_ratio_lower"] < other["cost_ratio"] < other["cost_ratio_upper"]
