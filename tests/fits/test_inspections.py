"""Counts, shares and what is to come, per point."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits import inspections as ins
from rebuildstats.fits.proportions import jeffreys_interval
from tests.fits.small_frames import history_table, inspections

POINTS = history_table(
    "points",
    [
        {
            "family": "F",
            "point": "drag",
            "component": "ring",
            "method": "gauge",
            "low_limit": 1.5,
            "reading_unit": "lbf",
        },
        {"family": "F", "point": "crack", "component": "case", "method": "sight"},
        {"family": "F", "point": "thread", "component": "case", "method": "sight"},
    ],
)
COMPONENTS = history_table(
    "components",
    [
        {"family": "F", "component": "ring", "positions": 2},
        {"family": "F", "component": "case"},
        {"family": "F", "component": "pin"},
    ],
)
TEARDOWNS = pd.DataFrame(
    {"job": list("abcd"), "family": "F", "scope": ["rebuild"] * 3 + ["repair"], "age": [4e4, 6e4, 9e4, 1e4]}
)


def row(job, component, point, age=5e4, **more):
    return {
        "job": job,
        "unit": "u",
        "family": "F",
        "component": component,
        "point": point,
        "age": age,
        "unit_age": age,
    } | more


ROWS = inspections(
    [
        row("a", "ring", "drag", position=1, reading=2.0),
        row("a", "ring", "drag", position=2, reading=1.2),
        row("b", "ring", "drag", 9e4, position=1, reading=1.5),
        row("c", "ring", "drag", 9e4, position=1, reading=1.6, verdict="not_checked"),
        row("a", "case", "crack", verdict="ok"),
        row("b", "case", "crack", verdict="fail"),
        row("c", "case", "crack", verdict="ok"),
        row("a", "pin", None, verdict="fail"),
    ]
)


def table(**more):
    return ins.inspections_table(ROWS, POINTS, COMPONENTS, TEARDOWNS, **more).set_index("point")


def test_counts_and_limits():
    result = table()
    # a drag of at least 1.5 lbf passes and below it fails (common practice, no source): 1.2 fails, 1.5 passes
    assert (result.loc["drag", "checked"], result.loc["drag", "failed"]) == (3, 1)
    assert (result.loc["crack", "checked"], result.loc["crack", "failed"]) == (3, 1)
    low, high = jeffreys_interval(1, 3)
    assert (result.loc["crack", "share_lower"], result.loc["crack", "share_upper"]) == (low, high)
    assert (result.loc["thread", "checked"], result.loc["thread", "share_upper"]) == (0, 1)
    assert np.isnan(result.loc["thread", "share"])
    # findings without a point stand under the component
    assert (result.loc["", "component"], result.loc["", "failed"]) == ("pin", 1)
    plain = ins.inspections_table(ROWS, POINTS, COMPONENTS, TEARDOWNS)
    assert list(plain.columns[:10]) == list(ins.COLUMNS)


def test_left_out_and_what_it_hides():
    hidden = ins.left_out(table().reset_index(), least=0.2).set_index("point")
    # three rebuilds x two positions offered, three looks made
    assert (hidden.loc["drag", "offered"], hidden.loc["drag", "left_out"]) == (6, 3)
    assert hidden.loc["drag", "hidden_fails"] == pytest.approx(1.0)
    assert "never looked at" in hidden.loc["thread", "hides"]
    assert hidden.loc["thread", "hidden_upper"] == 3
    assert "crack" not in hidden.index


def test_never_failing_has_a_bound():
    rows = inspections([row(j, "case", "thread", verdict="ok") for j in "abc"])
    bound = ins.never_failing(ins.inspections_table(rows, POINTS, COMPONENTS, TEARDOWNS)).set_index("point")
    assert bound.loc["thread", "bound"] == pytest.approx(1 - 0.05 ** (1 / 3))


def test_what_is_to_come():
    ahead = pd.DataFrame({"unit": ["u", "v"], "family": "F", "expected": [0.5, 1.0]})
    result = table(ahead=ahead)
    # crack: 3 looks in 4 teardowns of one position, half a look as prior: 3.5 / 5 a teardown, 1.5 teardowns to come
    assert result.loc["crack", "expected_checked"] == pytest.approx(1.5 * 0.7)
    assert result.loc["crack", "expected_failed"] == pytest.approx(1.5 * 0.7 * 1.5 / 4)
    assert table()["expected_checked"].isna().all()


def test_only_looks_in_the_band_of_a_mileage():
    result = table(mileage=85_000)
    assert (result.loc["drag", "band_from"], result.loc["drag", "band_to"]) == (80_000, np.inf)
    assert result.loc["drag", "checked"] == 1
    assert result.loc["crack", "checked"] == 0
    assert result.loc["drag", "offered"] == 2


def test_bands_are_round():
    assert list(ins.bands(95_000)[:3]) == [0, 20_000, 40_000]
    assert ins.bands(np.nan)[1] == np.inf
    by_band = ins.fail_share_by_band(ROWS, POINTS).set_index(["point", "age_from"])
    assert by_band.loc[("drag", 40_000), "failed"] == 1
    assert by_band["checked"].sum() == 7


def test_an_empty_history_has_points_without_counts():
    result = ins.inspections_table(inspections([]), POINTS, COMPONENTS, TEARDOWNS.iloc[:0])
    assert len(result) == 3
    assert (result["checked"] == 0).all()
    assert len(ins.fail_share_by_band(inspections([]), POINTS)) == 0
