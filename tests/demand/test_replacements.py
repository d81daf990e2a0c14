"""What is replaced beside the cause: damage by a neighbour, and what a repair does not look at."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.fleet import Positions
from rebuildstats.demand.hazards import Hazard
from rebuildstats.demand.replacements import (
    ReplacementModel,
    again_chances,
    cause_chances,
    cause_shares_by_job,
    position_chances,
    replacement_models,
)

GRID = np.linspace(0.0, 1000.0, 200)
COMPONENTS = pd.DataFrame(
    {
        "family": "F",
        "component": ["ring", "seal", "gear"],
        "renewal": "on_condition",
        "positions": 1,
        "shows": ["in_service", "in_service", "at_teardown"],
        "supplied_in": None,
    }
)


def life(rate: float) -> Hazard:
    return Hazard(GRID, rate * GRID, rate * GRID[None, :], rate)


def model(rows: Sequence[dict[str, Any]]) -> ReplacementModel:
    blank = {"family": "F", "age": 100.0, "good_age": 0.0, "failed_before": False, "verdict": "ok", "role": None}
    outcomes = pd.DataFrame([blank | {"scope": "rebuild", "reason": "failure", "renewed": False} | row for row in rows])
    lives = {("F", "ring"): life(0.004), ("F", "seal"): life(0.004), ("F", "gear"): life(0.001)}
    return replacement_models(outcomes, COMPONENTS, lives)["F"]


def job(name: str, cause: str, ruined: bool, scope: str = "rebuild") -> list[dict[str, Any]]:
    """A teardown caused by one of the two components that show; the gear is ruined with it, or sound."""
    other = "seal" if cause == "ring" else "ring"
    gear = {"verdict": "fail", "role": "consequence", "renewed": True} if ruined else {}
    return [
        {"job": name, "component": cause, "verdict": "fail", "role": "cause", "renewed": True, "scope": scope},
        {"job": name, "component": other, "scope": scope},
        {"job": name, "component": "gear", "scope": scope} | gear,
    ]


def positions(component: str, age: float = 100.0) -> Positions:
    one, no = np.full((1, 1), age), np.zeros((1, 1), dtype=bool)
    return Positions(component, one, one, no, np.full((1, 1), None, dtype=object), one, one)


FLEET = {name: positions(name) for name in ("ring", "seal", "gear")}
RUN = np.full((1, 1), 1.0)


def gear_at(own: ReplacementModel, ring: float) -> float:
    """Chance that the gear is replaced where the ring is the cause with chance `ring`, else the seal."""
    causes = {"ring": np.full((1, 1, 1), ring), "seal": np.full((1, 1, 1), 1.0 - ring)}
    return float(position_chances(own, FLEET, RUN, "failure", causes)["gear"].item())


def test_one_component_breaking_ruins_its_neighbour_and_another_does_not() -> None:
    rows = [row for i in range(40) for row in job(f"R{i}", "ring", True) + job(f"S{i}", "seal", False)]
    own = model(rows)
    assert own.components["gear"].beside["ring"] == pytest.approx(0.5 * 40 / 46, rel=0.05)
    # half of the teardowns ruined it; by the cause it is nearly all or nearly none of them
    assert gear_at(own, 1.0) > 0.85
    assert gear_at(own, 0.0) < 0.15
    assert gear_at(own, 0.5) == pytest.approx(0.5, abs=0.05)


def test_a_cause_seen_twice_hardly_moves_the_habit() -> None:
    rows = [row for i in range(40) for row in job(f"S{i}", "seal", i % 2 == 0)]
    few = [row for i in range(2) for row in job(f"R{i}", "ring", True)]
    assert gear_at(model(rows + few), 1.0) < 0.75


def test_causes_are_the_hazards_of_what_shows_and_add_up_to_what_is_caused() -> None:
    own = model([row for i in range(20) for row in job(f"R{i}", "ring", False)])
    causes = cause_chances(own, FLEET, RUN, "failure")
    assert sum(c.item() for c in causes.values()) == pytest.approx(own.caused["failure"])
    assert cause_chances(own, FLEET, RUN, "scheduled") == {}
    said = cause_chances(own, FLEET, RUN, "failure", {"ring": np.array([3.0])})
    odds = causes["ring"].item() / causes["seal"].item()
    assert said["ring"].item() / said["seal"].item() == pytest.approx(3.0 * odds)


def test_a_repair_finds_less_than_a_rebuild() -> None:
    found = {"component": "gear", "verdict": "fail", "renewed": True}
    rows: list[dict[str, Any]] = []
    for i in range(60):
        rebuild = job(f"B{i}", "ring", False)
        if i % 10 == 0:
            rebuild[2] = {"job": f"B{i}", **found}
        rows += rebuild + job(f"M{i}", "ring", False, scope="repair")
    gear = model(rows).components["gear"]
    assert gear.found["repair"] < 0.6 * gear.found["failure"]


def test_at_a_further_rebuild_what_the_one_before_replaced_is_young() -> None:
    own = model([row for i in range(20) for row in job(f"R{i}", "ring", False)])
    first = {name: np.ones((1, 1, 1)) for name in FLEET}
    run, soon, late = np.full((1, 1), 200.0), np.full((1, 1), 10.0), np.full((1, 1), 150.0)
    early, then = (again_chances(own, FLEET, run, since, first)["gear"].item() for since in (soon, late))
    assert early < then
    # whose later rebuilds the ring causes, takes rings
    rings = {"ring": np.full((1, 1), 0.9), "seal": np.full((1, 1), 0.1)}
    chances = again_chances(own, FLEET, run, soon, first, rings)
    assert chances["ring"].item() > 3.0 * chances["seal"].item()


def test_shares_of_causes_by_job() -> None:
    rows = pd.DataFrame({"job": ["A", "A", "B"], "component": ["x", "y", "x"], "_expected": [0.25, 0.5, 0.0]})
    table = cause_shares_by_job(rows)
    assert table.loc["A"].tolist() == [0.25, 0.5]
    assert "B" not in table.index
