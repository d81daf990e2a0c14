"""The wear table: one chance per component, points beside it, parts to pull, safety first among equals."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.limit_ages import limit_table
from rebuildstats.fits.points import fit_points
from rebuildstats.fits.wear import COLUMNS, part_to_pull, wear_table
from tests.fits.small_frames import KnownLife, history_table, inspections

COMPONENTS = history_table(
    "components",
    [
        {"family": "F", "component": "bearing", "positions": 2, "safety": False},
        {"family": "F", "component": "brake", "positions": 2, "safety": True},
        {"family": "F", "component": "seal", "supplied_in": "kit"},
        {"family": "F", "component": "kit"},
        {"family": "F", "component": "ring"},
        {"family": "G", "component": "ring"},
    ],
)
POINTS = history_table(
    "points",
    [
        {"family": "F", "point": "play", "component": "bearing", "method": "gauge", "as_new": 2.0, "high_limit": 6.0},
        {"family": "F", "point": "noise", "component": "bearing", "method": "feel"},
        {
            "family": "F",
            "point": "lining",
            "component": "brake",
            "method": "sight",
            "caution": "dust: no compressed air",
        },
    ],
)
PARTS = history_table(
    "parts",
    [
        {"part": "B1", "unit_cost": 10.0, "replaced_by": "B2"},
        {"part": "B2", "unit_cost": 12.0},
        {"part": "K", "unit_cost": 40.0},
        {"part": "R-A", "unit_cost": 5.0},
        {"part": "R-B", "unit_cost": 5.0},
        {"part": "O", "unit_cost": 1.0},
    ],
)
USES = history_table(
    "part_uses",
    [
        {"family": "F", "component": "bearing", "part": "B1", "quantity": 1},
        {"family": "F", "component": "bearing", "part": "O", "quantity": 3},
        {"family": "F", "component": "kit", "part": "K"},
        {"family": "F", "component": "ring", "part": "R-A", "choice": "grade", "share": 0.3},
        {"family": "F", "component": "ring", "part": "R-B", "choice": "grade", "share": 0.7},
    ],
)


class Lives:
    def __init__(self, **models):
        self.models = models

    def get(self, family, component):
        return self.models.get(component) if family == "F" else None


LIVES = Lives(bearing=KnownLife(100_000, 2.0), brake=KnownLife(100_000, 2.0), ring=KnownLife(300_000, 3.0))


def table(mileage=80_000, **more):
    rows = more.pop("rows", [])
    fits = fit_points(inspections(rows), POINTS, COMPONENTS)
    return wear_table("F", mileage, fits, LIVES, COMPONENTS, POINTS, USES, PARTS, **more)


def test_contract_columns_and_rows():
    result = table()
    assert list(result.columns[: len(COLUMNS)]) == list(COLUMNS)
    pairs = set(zip(result["component"], result["point"], strict=True))
    assert pairs == {
        ("bearing", "play"),
        ("bearing", "noise"),
        ("brake", "lining"),
        ("seal", ""),
        ("kit", ""),
        ("ring", ""),
    }


def test_chance_is_that_of_any_position():
    row = table().set_index(["component", "point"]).loc[("bearing", "play")]
    assert row["chance_bad"] == pytest.approx(1 - np.exp(-2 * 0.8**2))
    # draws spread by 0.1 in log scale: the 90 % limits are those of the same formula at +-1.645 x 0.1
    low, high = (1 - np.exp(-2 * (0.8 * np.exp(s * 0.1645)) ** 2) for s in (-1, 1))
    assert (row["chance_lower"], row["chance_upper"]) == pytest.approx((low, high), abs=0.03)


def test_safety_first_among_equals():
    result = table()
    assert list(result["component"][:3]) == ["brake", "bearing", "bearing"]
    assert result["chance_bad"][0] == pytest.approx(result["chance_bad"][1])
    assert result["caution"][0] == "dust: no compressed air"


def test_a_component_without_life_or_point_carries_all_and_nothing():
    row = table().set_index("component").loc["kit"]
    assert np.isnan(row["chance_bad"])
    assert (row["chance_lower"], row["chance_upper"]) == (0.0, 1.0)
    assert row["from"] == "bound"


def test_a_component_that_never_failed_carries_the_bound_of_its_exposure():
    class Quiet:
        b10_lower = 100_000.0
        events, lives = 0, 12

        def chance(self, age, covariates=None):
            return np.full(len(age), np.nan)

        def draws(self, n, seed):
            raise AssertionError("nothing to draw from")

    fits = fit_points(inspections([]), POINTS, COMPONENTS)
    result = wear_table("F", 100_000, fits, Lives(kit=Quiet()), COMPONENTS, POINTS, USES, PARTS)
    row = result.set_index("component").loc["kit"]
    assert np.isnan(row["chance_bad"])
    assert row["chance_upper"] == pytest.approx(0.1)
    assert (row["events"], row["lives"]) == (0, 12)


def test_with_a_unit_each_position_stands_at_its_own_age_given_what_is_known():
    positions = pd.DataFrame(
        {
            "component": ["bearing", "bearing", "brake", "brake"],
            "age": [50_000.0, 20_000.0, 10_000.0, np.nan],
            "good_age": [40_000.0, 0.0, 0.0, np.nan],
            "failed": [False, False, False, False],
        }
    )
    row = table(80_000, positions=positions, unit_age=60_000.0).set_index(["component", "point"])
    hazard = (0.7**2 - 0.4**2) + 0.4**2
    assert row.loc[("bearing", "play"), "chance_bad"] == pytest.approx(1 - np.exp(-hazard))
    # a position of unknown age stands at the mileage
    assert row.loc[("brake", "lining"), "chance_bad"] == pytest.approx(1 - np.exp(-(0.3**2 + 0.8**2)))


def test_found_failed_and_left_in_is_bad_for_certain():
    positions = pd.DataFrame({"component": ["kit"], "age": [np.nan], "good_age": [np.nan], "failed": [True]})
    row = table(positions=positions).set_index("component").loc["kit"]
    assert row["chance_bad"] == 1


def test_parts_to_pull():
    pulls = part_to_pull("F", COMPONENTS, USES, PARTS)
    assert pulls["bearing"] == ("B2", 1.0, "O")  # the successor of the dearest; the rest beside it
    assert pulls["ring"][0] == "R-B"  # the likelier grade
    assert pulls["seal"] == pulls["kit"] == ("K", 1.0, "")  # not sold alone: the assembly


def _play(reading_at_80k):
    rng = np.random.default_rng(0)
    age = rng.uniform(1e4, 1.5e5, 120)
    rate = (reading_at_80k - 2) / 0.8
    return [
        {
            "job": str(i),
            "unit": str(i),
            "family": "F",
            "component": "bearing",
            "point": "play",
            "age": a,
            "reading": 2 + rate * a / 1e5 + 0.2 * rng.standard_normal(),
        }
        for i, a in enumerate(age)
    ]


def _quiet(looks=120):
    """The bearing's other point, never bad."""
    same = {"family": "F", "component": "bearing", "point": "noise", "age": 80_000.0, "verdict": "ok"}
    return [same | {"job": f"n{i}", "unit": f"n{i}"} for i in range(looks)]


def test_readings_beside_the_limit_and_disagreement_shown():
    row = table(rows=_play(4.0) + _quiet()).set_index("point").loc["play"]
    assert row["reading_q10"] < row["reading_q50"] < row["reading_q90"] < row["high_limit"] == 6.0
    assert row["reading_q50"] == pytest.approx(4.0, abs=0.1)
    # readings say: nobody is beyond the limit at 80,000; the fitted life says 72 %: shown, not hidden
    assert row["point_chance"] < 0.01
    assert row["disagrees"]
    assert row["from"] == "life"


def test_a_point_of_several_may_fail_less_often_than_its_component():
    # nothing is known of the other point: the fails of the life may be its
    assert not table(rows=_play(4.0)).set_index("point").loc["play", "disagrees"]


def test_readings_later_than_the_life_contradict_it_only_where_nothing_else_can_fail():
    early = SimpleNamespace(b10=40e3, b10_lower=35e3, b10_upper=45e3)
    lives = SimpleNamespace(get=lambda family, component: early)
    both = limit_table(fit_points(inspections(_play(4.0)), POINTS, COMPONENTS), lives).set_index("point")
    alone = limit_table(fit_points(inspections(_play(4.0)), POINTS[POINTS["point"] == "play"], COMPONENTS), lives)
    assert both.loc["play", "age_10_lower"] > early.b10_upper
    assert not both.loc["play", "disagrees"]
    assert alone["disagrees"].all()


def test_without_a_life_the_readings_stand_in():
    fits = fit_points(inspections(_play(6.0)), POINTS, COMPONENTS)
    row = wear_table("F", 80_000, fits, Lives(), COMPONENTS, POINTS, USES, PARTS).set_index("point").loc["play"]
    assert row["from"] == "readings"
    assert row["chance_bad"] == pytest.approx(0.75, abs=0.08)  # each of two positions beyond with 1/2


def test_a_complaint_ranks():
    complaints = pd.DataFrame(
        {
            "family": "F",
            "complaint": "whine",
            "mileage_from": [0.0, 0.0],
            "mileage_to": [np.inf, np.inf],
            "component": ["ring", "brake"],
            "count": [9, 1],
            "share": [0.9, 0.1],
        }
    )
    result = table(complaint="Whine", complaints=complaints)
    assert result["component"][0] == "ring"
    assert (result["complaint_share"][0], result["complaint_count"][0]) == (0.9, 9)


def test_negative_mileage_is_refused():
    with pytest.raises(ValueError, match="0 or more"):
        table(-1)
