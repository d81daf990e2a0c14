"""What `fit_lives` gives: the contract's columns, honest bounds, shared strength, and corrections where they are
asked for.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.exchange import alone
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.fits.prepare import prepare
from rebuildstats.fits.results import LIFE_COLUMNS, CannotSay, LifeFit, LifeFits
from tests.fits.fleets_of_lives import FleetOfLives, fleet_of_lives, inspected

ALONE = pd.DataFrame({"family": ["F"], "component": ["C"], "group": ["seal"]})


def lives_of(ages: np.ndarray, rng: np.random.Generator, *, exact: bool = False, **columns: object) -> pd.DataFrame:
    """Lives of component C of family F that fail at `ages`, inspected twice."""
    lower, upper = inspected(rng, ages, exact=exact)
    base = {"family": "F", "component": "C", "entry_age": 0.0, "lower_age": lower, "upper_age": upper}
    return pd.DataFrame(base | {"unit": [f"U{i}" for i in range(len(ages))]} | columns)


def fit_of(lives: pd.DataFrame) -> LifeFit:
    fit = fit_lives(lives, ALONE).get("F", "C")
    assert isinstance(fit, LifeFit)
    return fit


@pytest.fixture(scope="module")
def fleet() -> FleetOfLives:
    return fleet_of_lives(1)


@pytest.fixture(scope="module")
def fits(fleet: FleetOfLives) -> LifeFits:
    return fit_lives(fleet.lives, fleet.components)


def test_the_frame_is_the_contract(fleet: FleetOfLives, fits: LifeFits) -> None:
    frame = fits.frame()
    assert tuple(frame.columns[: len(LIFE_COLUMNS)]) == LIFE_COLUMNS
    assert frame[["family", "component"]].equals(fleet.components[["family", "component"]])
    assert frame["lives"].sum() == len(fleet.lives)
    assert frame["events"].sum() == fleet.lives["upper_age"].notna().sum()
    assert ((frame["b10_lower"] < frame["b10"]) & (frame["b10"] < frame["b10_upper"])).all()
    assert ((frame["median_lower"] < frame["median"]) & (frame["median"] < frame["median_upper"])).all()
    # scale and shape are those of the curve through B10 and median
    weibull = frame[frame["distribution"] == "weibull"]
    np.testing.assert_allclose(weibull["b10"], weibull["scale"] * (-np.log(0.9)) ** (1 / weibull["shape"]), rtol=1e-9)
    np.testing.assert_allclose(weibull["median"], weibull["scale"] * np.log(2) ** (1 / weibull["shape"]), rtol=1e-9)


def test_empty_frames_keep_their_types() -> None:
    empty = fit_lives(fleet_of_lives(1).lives.iloc[:0], ALONE.iloc[:0]).frame()
    assert list(empty.columns[:2]) == ["family", "component"]
    assert len(empty) == 0
    none = fit_lives(fleet_of_lives(1).lives.iloc[:0], ALONE)
    assert isinstance(none.get("F", "C"), CannotSay)
    assert none.frame().loc[0, "b10_upper"] == np.inf
    assert isinstance(none.get("F", "unheard of"), CannotSay)


def test_the_unit_does_not_matter(fleet: FleetOfLives, fits: LifeFits) -> None:
    # hours instead of miles: every age 0.01 times as large
    ages = ["entry_age", "lower_age", "upper_age"]
    hours = fit_lives(fleet.lives.assign(**{c: fleet.lives[c] * 0.01 for c in ages}), fleet.components).frame()
    np.testing.assert_allclose(hours["b10"] * 100, fits.frame()["b10"], rtol=1e-6)
    np.testing.assert_allclose(hours["b10_upper"] * 100, fits.frame()["b10_upper"], rtol=1e-6)


def test_the_order_of_rows_and_merging_do_not_matter(fleet: FleetOfLives, fits: LifeFits) -> None:
    shuffled = fit_lives(fleet.lives.sample(frac=1.0, random_state=3), fleet.components).frame()
    np.testing.assert_allclose(shuffled["b10"], fits.frame()["b10"], rtol=1e-6)
    no_units = fleet.lives.drop(columns="unit")
    twice = pd.concat([no_units, no_units])
    weighted = no_units.assign(weight=2.0)
    a, b = fit_lives(twice, fleet.components).frame(), fit_lives(weighted, fleet.components).frame()
    np.testing.assert_allclose(a["b10"], b["b10"], rtol=1e-6)


def test_draws_repeat_and_agree_with_the_interval(fits: LifeFits) -> None:
    fit = next(f for f in fits if isinstance(f, LifeFit) and f.events > 10)
    ages = np.array([0.0, fit.b10_lower, fit.b10, fit.b10_upper, np.nan, np.inf])
    one, again, other = (fit.draws(4000, seed).log_survival(ages) for seed in (7, 7, 8))
    np.testing.assert_array_equal(one, again)
    assert not np.array_equal(one, other)
    assert (one[:, 0] == 0).all()
    assert np.isnan(one[:, 4]).all()
    assert (one[:, 5] < -500).all()
    # in 5 % of the draws B10 is below its lower end: 10 % have failed by then
    assert np.mean(-np.expm1(one[:, 1]) > 0.1) == pytest.approx(0.05, abs=0.02)
    assert np.mean(-np.expm1(one[:, 3]) < 0.1) == pytest.approx(0.05, abs=0.02)


def test_many_ages_are_read_off_a_table_that_is_fine_enough(fits: LifeFits) -> None:
    fit = next(f for f in fits if isinstance(f, LifeFit) and f.events > 10)
    draws = fit.draws(40, 0)
    ages = np.append(np.random.default_rng(0).uniform(100.0, 400_000.0, 5000), [0.0, np.nan])
    table = draws.log_survival(ages)
    one_by_one = np.hstack([draws.log_survival(part) for part in np.array_split(ages, 4)])
    np.testing.assert_allclose(np.exp(table), np.exp(one_by_one), atol=2e-5)


def test_chances(fits: LifeFits) -> None:
    fit = next(f for f in fits if isinstance(f, LifeFit) and f.events > 10)
    assert fit.chance(np.array([0.0, fit.b10, fit.median])) == pytest.approx([0.0, 0.1, 0.5])
    between = fit.chance_between(np.array([fit.b10]), np.array([fit.median]))
    assert between == pytest.approx([(0.5 - 0.1) / 0.9])
    low, high = fit.chance_interval(np.array([fit.b10, fit.median]))
    assert (low < [0.1, 0.5]).all()
    assert (high > [0.1, 0.5]).all()


def test_no_failure_and_nobody_to_learn_from_is_a_bound() -> None:
    lives = pd.DataFrame(
        {"family": "F", "component": "C", "entry_age": 0.0, "lower_age": [40e3, 90e3, 120e3], "upper_age": np.nan}
    )
    fits = fit_lives(lives, ALONE)
    fit = fits.get("F", "C")
    assert isinstance(fit, CannotSay)
    # Weibayes at shape 2: (sum t^2 / -ln .05)^(1/2), one-sided 95 %
    scale = np.sqrt((40e3**2 + 90e3**2 + 120e3**2) / -np.log(0.05))
    assert fit.b10_lower == pytest.approx(scale * np.sqrt(-np.log(0.9)))
    frame = fits.frame()
    assert frame.loc[0, "events"] == 0
    assert frame.loc[0, ["b10", "median"]].isna().all()
    assert frame.loc[0, "b10_upper"] == np.inf
    assert "no failure in 3 lives" in frame.loc[0, "reason"]


def test_no_failure_learns_from_the_group(fleet: FleetOfLives, fits: LifeFits) -> None:
    quiet = fleet.components.iloc[0]
    good = fleet.lives[fleet.lives["component"] != quiet["component"]]
    running = pd.DataFrame(
        {"family": quiet["family"], "component": quiet["component"], "entry_age": 0.0, "lower_age": [60e3] * 12}
    )
    lives = pd.concat([good, running.assign(upper_age=np.nan, unit="Q")], ignore_index=True)
    fit = fit_lives(lives, fleet.components).get(quiet["family"], quiet["component"])
    assert isinstance(fit, LifeFit)
    assert fit.events == 0
    assert fit.shrinkage > 0.5
    # what its own lives say, by hand: eta^k = 12 x 60,000^k / -ln .05 at its group's shape k
    shape = float(fit.notes[0].split("shape of ")[1].split(")")[0])
    bound = 60e3 * (12 / -np.log(0.05) * -np.log(0.9)) ** (1 / shape)
    said = float(fit.notes[0].split("B10 is ")[1].split(" or more")[0].replace(",", ""))
    assert fit.notes[0].startswith("no failure in 12 lives")
    assert said == pytest.approx(bound, rel=0.03)
    others = fits.frame()["b10"]
    assert others.min() < fit.b10 < 2 * others.max()
    longer = lives.assign(lower_age=np.where(lives["unit"] == "Q", 250e3, lives["lower_age"]))
    later = fit_lives(longer, fleet.components).get(quiet["family"], quiet["component"])
    assert later.b10_lower > 1.3 * fit.b10_lower


def test_shrinkage_falls_with_events(fits: LifeFits) -> None:
    frame = fits.frame()
    few, many = frame[frame["events"] <= 4], frame[frame["events"] >= 20]
    assert few["shrinkage"].mean() > 1.3 * many["shrinkage"].mean()
    assert frame["shrinkage"].between(0, 1).all()


def test_one_failure_has_no_likelihood_of_its_own_but_an_answer() -> None:
    fleet = fleet_of_lives(4, components=9)
    one = fleet.lives[fleet.lives["component"] == "C001"]
    first = one.index[one["upper_age"].notna()][:1]
    lives = fleet.lives.drop(one.index.difference([*first, *one.index[one["upper_age"].isna()]]))
    fits = fit_lives(lives, fleet.components)
    rivals = fits.rivals()
    assert len(rivals) == 4 * len(fleet.components)
    fit = fits.get("F1", "C001")
    assert fit.events == 1
    assert np.isfinite([fit.b10, fit.b10_lower, fit.b10_upper]).all()


def test_another_name_than_aicc_is_said() -> None:
    ages = 200e3 * np.random.default_rng(12).weibull(1.3, 16)
    table = pd.DataFrame({"family": "F", "component": "C", "entry_age": 0.0, "lower_age": ages, "upper_age": ages})
    fit = fit_of(table)
    assert min(fit.rivals, key=lambda r: r.aicc).distribution == "exponential"
    # a short history favours one parameter; its B10 would be far too low
    assert fit.distribution != "exponential"
    assert "AICc alone would name the exponential" in fit.notes


def test_duty_is_found_and_the_row_is_for_the_mix() -> None:
    fleet = fleet_of_lives(9, components=12, smallest=60, largest=120, duties=True)
    fits = fit_lives(fleet.lives, fleet.components)
    for fit in fits:
        assert isinstance(fit, LifeFit)
        assert set(fit.effects.columns) == {"duty"}
        assert any("duty quarry" in note for note in fit.notes)
        effect = float(fit.effects.mean[0])
        assert np.exp(effect) == pytest.approx(1 / 1.7, rel=0.15)
        ages = np.full(3, fit.b10)
        duties = pd.DataFrame({"duty": ["road", "quarry", "never seen"]})
        road, quarry, unseen = fit.chance(ages, duties)
        assert road < 0.1 < quarry
        assert unseen == pytest.approx(fit.chance(ages)[0])
        # the mix is between its parts, by the share of distance
        share = fit.effects.mix_share
        assert share.sum() == pytest.approx(1.0)
        drawn = np.exp(fit.draws(50, 1).log_survival(ages, duties))
        assert drawn.shape == (50, 3)
        assert (drawn[:, 0] > drawn[:, 1]).all()


def test_without_a_difference_no_covariate_is_used(fits: LifeFits) -> None:
    assert all(fit.effects.none for fit in fits)


def test_early_failures_are_set_apart() -> None:
    rng = np.random.default_rng(21)
    ages = 200e3 * rng.weibull(3.0, 500)
    badly_fitted = rng.random(500) < 0.05
    ages = np.where(badly_fitted, rng.exponential(6_000.0, 500), ages)
    fit = fit_of(lives_of(ages, rng, exact=True))
    assert any("early failures set apart" in note for note in fit.notes)
    assert fit.early_life.signal
    assert fit.early_life.observed > 5 * fit.early_life.expected
    truth = 200e3 * (-np.log(0.9)) ** (1 / 3)
    assert fit.b10 == pytest.approx(truth, rel=0.12)
    assert fit.b10_lower < truth < fit.b10_upper


def test_plain_wear_shows_no_early_failures() -> None:
    rng = np.random.default_rng(22)
    fit = fit_of(lives_of(200e3 * rng.weibull(3.0, 500), rng, exact=True))
    assert not any("early" in note for note in fit.notes)
    assert not fit.early_life.signal


def test_missed_fails_are_a_parameter_where_asked_for() -> None:
    # looked at after distances of all lengths; a failed one is passed as good with chance 15 %
    rng = np.random.default_rng(5)
    truth = 200e3 * (-np.log(0.9)) ** (1 / 2.5)

    def looked(chance: float) -> LifeFit:
        rows = []
        for age in 200e3 * rng.weibull(2.5, 900):
            before, last, upper = 0.0, 0.0, np.nan
            for at in np.cumsum(rng.choice([15e3, 120e3], 5)):
                if age < at and rng.random() >= chance:
                    upper = at
                    break
                before, last = last, at
            rows.append((last, upper, before))
        table = pd.DataFrame(rows, columns=["lower_age", "upper_age", "good_before"])
        return fit_of(table.assign(family="F", component="C", entry_age=0.0, shows="at_teardown"))

    sound, missing = looked(0.0), looked(0.15)
    assert not any("misses" in note for note in sound.notes)
    assert any("an inspection misses a failed one" in note for note in missing.notes)
    assert missing.b10_lower < truth < missing.b10_upper


def test_lives_of_one_unit_that_are_alike_widen_the_interval() -> None:
    rng = np.random.default_rng(30)
    unit = np.repeat(np.arange(60), 8)
    ages = 200e3 * np.exp(rng.normal(0, 0.5, 60))[unit] * rng.weibull(3.0, 480)
    lives = lives_of(ages, rng, exact=True).assign(unit=[f"U{u}" for u in unit])
    apart = lives.assign(unit=[f"U{i}" for i in range(480)])
    alike, independent = fit_of(lives), fit_of(apart)
    assert any("lives of one unit are alike" in note for note in alike.notes)
    assert not any("alike" in note for note in independent.notes)
    width = [np.log(f.b10_upper / f.b10_lower) for f in (alike, independent)]
    assert width[0] > 1.2 * width[1]


def test_a_few_wrong_verdicts_do_not_wreck_it(fits: LifeFits) -> None:
    doubts = fits.doubts()
    b10 = fits.frame()["b10"]
    for column in ("b10_if_false_fails", "b10_if_missed_fails"):
        moved = np.abs(np.log(doubts[column] / b10))
        assert moved.max() < 0.5
        assert moved.max() > 0.001  # it is computed, not 1 by default
    exact = doubts.set_index("component").loc["C000"]
    assert exact["b10_if_false_fails"] == pytest.approx(fits.get("F0", "C000").b10)  # what failed in service did fail


def test_units_from_rebuild_to_failure() -> None:
    fleet = fleet_of_lives(3, components=8)
    units = fleet.lives.assign(component=pd.NA, position=pd.NA, part=pd.NA)
    fits = fit_unit_lives(units)
    assert [fit.family for fit in fits] == ["F0", "F1", "F2", "F3"]
    assert all(fit.component is None for fit in fits)
    assert fits.get("F2").events == units[(units["family"] == "F2")]["upper_age"].notna().sum()
    assert fits.frame()["component"].isna().all()


def test_lives_after_a_renewal_are_named_as_a_person_would() -> None:
    rng = np.random.default_rng(4)
    first = np.arange(400) < 200
    ages = 200e3 * rng.weibull(2.5, 400) * np.where(first, 1.0, 0.5)
    fit = fit_of(lives_of(ages, rng, exact=True).assign(first_life=first))
    (note,) = (n for n in fit.notes if "renewal" in n)
    assert "True" not in note
    assert "False" not in note
    assert note.startswith(("lives after a renewal last 0.", "first lives last "))


def test_few_events_have_profile_intervals(fits: LifeFits) -> None:
    """Rivals with fewer than 10 events give profile-likelihood ends; the others Wald's."""
    rivals = fits.rivals().merge(fits.frame()[["family", "component", "events"]], on=["family", "component"])
    few = (rivals["events"] > 0) & (rivals["events"] < 10)
    assert few.any()
    assert set(rivals.loc[few, "interval"]) == {"profile"}
    assert set(rivals.loc[~few, "interval"]) == {"wald"}
    settled = rivals[few & rivals["settled"]]
    assert (settled["b10_lower"] <= settled["b10"]).all()
    assert (settled["b10_upper"] >= settled["b10"]).all()


def test_the_chance_of_a_miss_has_limits_that_hold_it() -> None:
    """Also where three misses in a row are no rarity; three fleets, 90 % limits: one may lie outside."""
    held, chance = 0, 0.3
    for seed in range(3):
        rng = np.random.default_rng([seed, 7])
        rows = []
        for i, age in enumerate(200e3 * rng.weibull(2.5, 600)):
            before, last, upper = 0.0, 0.0, np.nan
            for at in np.cumsum(rng.choice([15e3, 60e3, 120e3], 6)):
                if age < at and rng.random() >= chance:
                    upper = at
                    break
                before, last = last, at
            rows.append((f"C{i % 3}", last, upper, before))
        table = pd.DataFrame(rows, columns=["component", "lower_age", "upper_age", "good_before"])
        names: list[tuple[str, str | None]] = [("F", f"C{i}") for i in range(3)]
        found = alone(prepare(table.assign(family="F", entry_age=0.0, shows="at_teardown"), names)).missed
        held += found.lower <= chance <= found.upper
        assert found.chance == pytest.approx(chance, abs=0.12)
    assert held >= 2
