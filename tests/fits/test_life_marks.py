"""Bias and coverage over more than 200 seeded repetitions (each component of each small fleet is one).

The full run, with larger fleets and more of them, is `tests/benchmarks/sim_life.py`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.fits.fleets_of_lives import fleet_of_lives
from tests.fits.life_marks import errors, marks


@pytest.fixture(scope="module")
def found() -> pd.DataFrame:
    return errors(fleet_of_lives(seed, components=30, smallest=4, largest=40) for seed in range(100, 109))


def test_enough_repetitions_at_few_and_at_many_events(found: pd.DataFrame) -> None:
    assert len(found) == 270
    counts = marks(found)["fits"]
    assert counts["1-2"] >= 25
    assert counts["3-9"] >= 70
    assert counts["10-20"] >= 45


def test_hardly_any_bias(found: pd.DataFrame) -> None:
    some = found[found["events"] > 0]
    for name in ("b10", "median"):
        error = some[f"{name}_error"]
        # 3 %, and twice what so few repetitions leave uncertain
        assert abs(error.mean()) < 0.03 + 2 * error.std() / np.sqrt(len(error))


def test_errors_with_few_events(found: pd.DataFrame) -> None:
    rmse = marks(found)["b10_rmse"]
    assert rmse["1-2"] < 0.4
    assert rmse["3-9"] < 0.3


def test_nine_in_ten_are_covered(found: pd.DataFrame) -> None:
    some = found[found["events"] > 0]
    for name in ("b10", "median"):
        covered = some[f"{name}_covered"]
        slack = 2 * np.sqrt(0.9 * 0.1 / len(covered))
        assert 0.84 - slack < covered.mean() < 0.96 + slack
        for _, group in some.groupby(pd.cut(some["events"], [0, 2, 9, 20, 100]), observed=True):
            slack = 2.5 * np.sqrt(0.9 * 0.1 / len(group))
            assert group[f"{name}_covered"].mean() > 0.84 - slack
