"""Fits are kept in the store, come back as they were, and only for the very lives they were fitted to."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.kept import keep, lives_hash, stored
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.fits.results import CannotSay, LifeFit
from rebuildstats.history import store
from tests.fits.fleets_of_lives import fleet_of_lives


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "history.duckdb"
    store.create(file, "mi")
    return file


def test_fits_come_back_as_they_were(path: Path) -> None:
    fleet = fleet_of_lives(5, components=6, duties=True)
    never_seen = pd.DataFrame({"family": ["F0"], "component": ["never seen"], "group": ["seal"]})
    components = pd.concat([fleet.components, never_seen])
    fits = fit_lives(fleet.lives, components)
    key = lives_hash(fleet.lives, components)
    with store.writing(path) as con:
        keep(con, "life", key, fits)
    with store.reading(path) as con:
        again = stored(con, "life", key)
        assert stored(con, "unit", key) is None
    assert again is not None
    pd.testing.assert_frame_equal(again.frame(), fits.frame())
    pd.testing.assert_frame_equal(again.rivals(), fits.rivals())
    ages = np.array([0.0, 40_000.0, 250_000.0])
    for one, other in zip(fits, again, strict=True):
        assert type(one) is type(other)
        if isinstance(one, LifeFit):
            assert one.effects.columns == other.effects.columns
            np.testing.assert_allclose(other.chance(ages), one.chance(ages), rtol=1e-9)
            drawn, kept = one.draws(50, 3).log_survival(ages), other.draws(50, 3).log_survival(ages)
            np.testing.assert_allclose(kept, drawn, rtol=1e-5, atol=1e-8)
    assert isinstance(again.get("F0", "never seen"), CannotSay)


def test_a_new_fit_takes_the_place_of_the_old_one(path: Path) -> None:
    fleet = fleet_of_lives(6, components=3)
    fits = fit_unit_lives(fleet.lives)
    with store.writing(path) as con:
        keep(con, "unit", "first", fits)
        keep(con, "unit", "second", fits)
        assert stored(con, "unit", "first") is None
        assert stored(con, "unit", "second") is not None


def test_the_hash_changes_with_the_lives_and_not_with_their_order() -> None:
    fleet = fleet_of_lives(7, components=3)
    key = lives_hash(fleet.lives, fleet.components)
    assert lives_hash(fleet.lives.sample(frac=1.0, random_state=1), fleet.components) == key
    older = fleet.lives.assign(lower_age=fleet.lives["lower_age"] + (np.arange(len(fleet.lives)) == 3))
    assert lives_hash(older, fleet.components) != key
    assert lives_hash(fleet.lives, fleet.components.assign(group="seal")) != key
    assert lives_hash(fleet.lives, fleet.components, seed=1) != key


def test_what_cannot_be_read_is_fitted_again(path: Path) -> None:
    fleet = fleet_of_lives(8, components=3)
    with store.writing(path) as con:
        keep(con, "life", "key", fit_lives(fleet.lives, fleet.components))
        con.execute("update fits set fit = '{}' where place = 1").fetchall()
        assert stored(con, "life", "key") is None
