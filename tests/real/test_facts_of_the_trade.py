"""Facts of the trade, each by itself: common practice, no source.

A friction ring's drag, rollers counted as a set, a component supplied only within an assembly, a ring replaced by its
own grade, a dressed burr, a seal at every rebuild. Each is a tiny history of its own; no two are one unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import pandas as pd
import pytest

from rebuildstats.demand.forecast import Forecast, forecast_parts
from rebuildstats.demand.parts import implied_pieces, uses_today
from rebuildstats.demand.sums import mean_of
from rebuildstats.fits.inspections import inspections_table, looks
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.history.known import History, history_frames, know
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records
from tests.histories import connection

Rows = Sequence[Mapping[str, Any]]
START = date(2020, 1, 1)


def known(**tables: Rows) -> tuple[History, Records]:
    """A tiny history as known on its last day."""
    con = connection(**tables)
    day = know(con)
    return history_frames(con, day, "km"), build(con, day, "km")


def shop(units: int, family: str) -> dict[str, list[dict[str, Any]]]:
    """New units, each in its own vehicle that runs 100 km a day for two years."""
    tables: dict[str, list[dict[str, Any]]] = {n: [] for n in ("units", "vehicles", "fitments", "odometers")}
    for k in range(1, units + 1):
        unit, vehicle = f"{family}-{k}", f"v{k}"
        tables["units"].append({"unit": unit, "family": family, "origin": "new", "first_seen_on": START})
        tables["vehicles"].append({"vehicle": vehicle, "in_service_on": START})
        tables["fitments"].append({"unit": unit, "vehicle": vehicle, "fitted_on": START, "fitted_odometer": 0})
        for day in (0, 365, 730):
            tables["odometers"].append(
                {"vehicle": vehicle, "read_on": START + timedelta(days=day), "odometer": 100.0 * day}
            )
    return tables


def teardown(job: str, unit: str, day: int, reason: str = "scheduled") -> dict[str, Any]:
    opened = START + timedelta(days=day)
    return {"job": job, "unit": unit, "opened_on": opened, "unit_mileage": 100.0 * day, "reason": reason}


def ahead(history: History, records: Records, months: int = 12) -> Forecast:
    lives = fit_lives(records.lives, history.components)
    units = fit_unit_lives(records.unit_lives)
    return forecast_parts(records, history, lives, units, months=months, draws=40, seed=1)


@pytest.mark.parametrize(("drag", "bad"), [(1.49, True), (1.5, False), (1.51, False), (0.0, True), (3.0, False)])
def test_a_friction_ring_passes_from_a_drag_of_one_and_a_half_pounds(drag: float, bad: bool) -> None:
    history, records = known(
        **shop(1, "CLUTCH"),
        components=[{"family": "CLUTCH", "component": "friction_ring", "group": "ring"}],
        points=[
            {
                "family": "CLUTCH",
                "point": "drag",
                "component": "friction_ring",
                "method": "gauge",
                "reading_unit": "lbf",
                "low_limit": 1.5,
            }
        ],
        teardowns=[teardown("j1", "CLUTCH-1", 400)],
        findings=[{"job": "j1", "component": "friction_ring", "point": "drag", "reading": drag}],
    )
    seen = looks(records.inspections, history.points)
    assert seen["fail"].to_list() == [float(bad)]


def test_a_set_of_twelve_rollers_is_one_count_point_and_takes_twelve_pieces() -> None:
    units = 6
    jobs = [teardown(f"j{k}", f"HUB-{k}", 500) for k in range(1, units + 1)]
    bad = {"verdict": "fail", "action": "replace", "reading": 11}
    history, records = known(
        **shop(units, "HUB"),
        components=[{"family": "HUB", "component": "rollers", "group": "bearing"}],
        points=[{"family": "HUB", "point": "rollers", "component": "rollers", "method": "count", "low_limit": 12}],
        parts=[{"part": "ROLLER", "pack_size": 12}],
        part_uses=[{"family": "HUB", "component": "rollers", "part": "ROLLER", "quantity": 12}],
        teardowns=jobs,
        findings=[
            {"job": job["job"], "component": "rollers", "point": "rollers"}
            | (bad if n == 0 else {"verdict": "ok", "action": "reuse", "reading": 12})
            for n, job in enumerate(jobs)
        ],
    )
    table = inspections_table(records.inspections, history.points, history.components, records.teardowns)
    assert table[["point", "checked", "failed"]].to_numpy().tolist() == [["rollers", units, 1]]
    assert len(records.lives[records.lives["upper_age"].notna()]) == 1
    pieces = implied_pieces(history, records, uses_today(history, records))
    assert pieces[["part", "quantity"]].to_numpy().tolist() == [["ROLLER", 12.0]]


def test_a_component_supplied_only_within_an_assembly_creates_demand_for_the_assembly() -> None:
    units = 12
    jobs = [teardown(f"j{k}", f"COMP-{k}", 300 + 30 * k, "failure") for k in range(1, units + 1)]
    history, records = known(
        **shop(units, "COMP"),
        components=[
            {"family": "COMP", "component": "valve_plate", "group": "valve"},
            {"family": "COMP", "component": "reed", "supplied_in": "valve_plate", "shows": "in_service"},
        ],
        parts=[{"part": "PLATE"}, {"part": "REED"}],
        part_uses=[
            {"family": "COMP", "component": "valve_plate", "part": "PLATE"},
            {"family": "COMP", "component": "reed", "part": "REED"},
        ],
        teardowns=jobs,
        findings=[
            {"job": job["job"], "component": "reed", "verdict": "fail", "action": "replace", "role": "cause"}
            for job in jobs
        ],
    )
    pieces = implied_pieces(history, records, uses_today(history, records))
    assert pieces.groupby("part")["quantity"].sum().to_dict() == {"PLATE": float(units)}
    forecast = ahead(history, records)
    assert mean_of(forecast.pmf("PLATE", "total")) > 3
    assert mean_of(forecast.pmf("REED", "total")) == pytest.approx(0, abs=1e-9)


def test_a_ring_is_replaced_by_its_own_grade() -> None:
    units = 12
    grade = {f"PUMP-{k}": "RING-A" if k % 4 == 1 else "RING-B" for k in range(1, units + 1)}
    days = (250, 400, 550, 700)
    jobs = [teardown(f"j{day}-{k}", f"PUMP-{k}", day + 7 * k % 30) for day in days for k in range(1, units + 1)]
    history, records = known(
        **shop(units, "PUMP"),
        components=[{"family": "PUMP", "component": "shim_ring", "group": "ring", "renewal": "always"}],
        parts=[{"part": "RING-A"}, {"part": "RING-B"}],
        part_uses=[
            {"family": "PUMP", "component": "shim_ring", "part": "RING-A", "choice": "grade", "share": 0.25},
            {"family": "PUMP", "component": "shim_ring", "part": "RING-B", "choice": "grade", "share": 0.75},
        ],
        teardowns=jobs,
        findings=[
            {"job": job["job"], "component": "shim_ring", "verdict": "ok", "action": "replace"}
            | {"part": grade[job["unit"]]}
            for job in jobs
        ],
        planned=[{"plan": "p1", "due_on": START + timedelta(days=735), "unit": "PUMP-1"}],
    )
    pieces = implied_pieces(history, records, uses_today(history, records))
    assert pieces.groupby("part")["quantity"].sum().to_dict() == {"RING-A": 12.0, "RING-B": 36.0}
    assert records.positions.set_index("unit")["part"].to_dict() == grade
    # one rebuild is booked for the next days, of a pump with grade A: nearly a whole ring of A, where by the shares
    # alone it would be a quarter of one and three quarters of B
    forecast = ahead(history, records, months=1)
    assert mean_of(forecast.pmf("RING-A", "total")) > 0.75
    assert mean_of(forecast.pmf("RING-B", "total")) < 0.4


def test_a_dressed_burr_uses_no_part_and_ends_no_life() -> None:
    history, records = known(
        **shop(1, "WINCH"),
        components=[{"family": "WINCH", "component": "thrust_washer", "group": "plate"}],
        parts=[{"part": "WASHER"}],
        part_uses=[{"family": "WINCH", "component": "thrust_washer", "part": "WASHER"}],
        teardowns=[teardown("j1", "WINCH-1", 400), teardown("j2", "WINCH-1", 700)],
        findings=[
            {"job": job, "component": "thrust_washer", "verdict": "ok", "action": "dress", "condition": "burr"}
            for job in ("j1", "j2")
        ],
    )
    assert implied_pieces(history, records, uses_today(history, records)).empty
    assert records.lives[["number", "lower_age"]].to_numpy().tolist() == [[1, 70_000.0]]
    assert records.lives["upper_age"].isna().all()


def test_a_seal_is_demanded_at_every_rebuild_recorded_or_not_worn_or_not() -> None:
    units = 5
    jobs = [teardown(f"j{k}", f"GEAR-{k}", 480 + 9 * k) for k in range(1, units + 1)]
    history, records = known(
        **shop(units, "GEAR"),
        components=[
            {"family": "GEAR", "component": "seal", "group": "seal", "renewal": "always", "positions": 2},
            {"family": "GEAR", "component": "shaft", "group": "shaft"},
        ],
        parts=[{"part": "SEAL"}, {"part": "SHAFT"}],
        part_uses=[
            {"family": "GEAR", "component": "seal", "part": "SEAL"},
            {"family": "GEAR", "component": "shaft", "part": "SHAFT"},
        ],
        teardowns=jobs,
        findings=[{"job": job["job"], "component": "shaft", "verdict": "ok", "action": "reuse"} for job in jobs],
        planned=[
            {"plan": f"p{k}", "due_on": START + timedelta(days=760), "unit": f"GEAR-{k}"} for k in range(1, units + 1)
        ],
    )
    pieces = implied_pieces(history, records, uses_today(history, records))
    assert pieces.groupby("part")["quantity"].sum().to_dict() == {"SEAL": 2.0 * units}
    forecast = ahead(history, records, months=2)
    assert mean_of(forecast.pmf("SEAL", "total")) == pytest.approx(2 * units, rel=0.15)
    assert mean_of(forecast.pmf("SHAFT", "total")) < 1
    assert isinstance(forecast.frame(), pd.DataFrame)
