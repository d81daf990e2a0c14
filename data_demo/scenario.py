"""Writes the demo fleet: `python -m data_demo.scenario` makes the CSV files, `truth.json` and the
mapping example anew.

A carrier of timber and containers with about 110 trucks: a home yard with its shelf, a harbour depot with its own, and
a quarry camp that the harbour serves. The trucks carry four kinds of unit that the shop rebuilds itself. Six years are
kept; the engine runs one year further, so that `truth.json` can say what really came. Everything is invented.

Stories planted for a service manager to find (their truth, with dates, stands in `truth.json`):

1. since the second Quorrin delivery, that make's pump shaft seals leak at a fraction of the usual mileage;
2. for a year and a half one bench of the home yard fitted compressor main bearings that didn't last (its press was out
   of square);
3. truck T017 works its units far harder than any other;
4. at the harbour's first bench the steering gear's input seal is often left in at rebuilds, and the gears come back
   leaking;
5. forest work shortens most lives by a third against road work.
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pandas as pd

from data_demo.fleet_specs import FleetPlan, Plant
from data_demo.fleet_tables import Fleet, run_fleet
from data_demo.scenario_families import FAMILIES
from data_demo.scenario_mapping import write_mapping_example
from data_demo.scenario_parts import parts

SEED = 20240930
START = dt.date(2018, 10, 1)
AS_OF = dt.date(2024, 9, 30)
AFTER = dt.date(2025, 9, 30)


def _day(date: dt.date) -> int:
    return (date - START).days


PLANTS = (
    Plant("make", "HP-2101", "HP71", "shaft_seal", factor=5.0, since=_day(dt.date(2021, 5, 10))),
    Plant("bench", "home 2", "AC85", "main_bearing", 10.0, 0.9, _day(dt.date(2020, 11, 2)), _day(dt.date(2022, 4, 29))),
    Plant("vehicle", "T017", factor=1.8),
    Plant("left_out", "harbour 1", "SG8", "input_seal", factor=12.0, share=0.9, since=_day(dt.date(2020, 6, 1))),
)


def plan() -> FleetPlan:
    """The demo fleet before its first day."""
    return FleetPlan(
        start=START,
        days=_day(AFTER) + 10,
        families=FAMILIES,
        parts=parts(),
        sites=(("home yard", None, 0.5), ("harbour", None, 0.35), ("quarry camp", "harbour", 0.15)),
        benches=(("home 1", "home yard"), ("home 2", "home yard"), ("harbour 1", "harbour"), ("harbour 2", "harbour")),
        duties=(("road", 1.0, 0.45), ("harbour", 1.15, 0.3), ("forest", 1.5, 0.25)),
        yearly=(56_000.0, 0.3),
        vehicle_prefix="T",
        share_vehicles=True,
        plants=PLANTS,
        counter=(("AC-2006", 3.0), ("AC-2001", 1.2), ("AC-1090", 0.6), ("HP-2003", 0.5), ("SG-2006", 2.0),
                 ("SG-2001", 0.7), ("WD-1051", 0.8), ("WD-1052", 0.5), ("WD-1020", 0.4)),
        superseded=(("AC-1050", _day(dt.date(2022, 5, 2))), ("SG-2002", _day(dt.date(2023, 2, 6)))),
        campaigns=(("SG8", _day(dt.date(2024, 10, 21)), 90), ("WD12", _day(dt.date(2022, 2, 1)), 60)),
        missed=0.01,
        false_fail=0.001,
        frailty=0.08,
        retire=0.12,
    )  # fmt: skip


def demo_fleet() -> Fleet:
    """The demo fleet, run to the end of its truth."""
    return run_fleet(plan(), SEED)


def tables(fleet: Fleet) -> dict[str, pd.DataFrame]:
    """The demo's tables as of its last day."""
    frames = fleet.tables(AS_OF)
    frames["planned"] = _campaign_by_count(fleet, frames["planned"])
    return frames


def _campaign_by_count(fleet: Fleet, planned: pd.DataFrame) -> pd.DataFrame:
    """Campaign units not booked by name are booked by number, month by month, as a shop announces them."""
    jobs = pd.DataFrame(fleet.engine.rows["teardowns"])
    ahead = jobs[(jobs["reason"] == "campaign") & (jobs["opened_on"] > _day(AS_OF))]
    ahead = ahead[~ahead["unit"].isin(planned["unit"].dropna())]
    opened = pd.to_datetime([fleet.date(day) for day in ahead["opened_on"]])
    families = ahead["unit"].str.split("-").str[0].to_numpy()
    rows = [
        {"plan": f"C{n:04d}", "due_on": month.end_time.normalize(), "family": family, "count": len(days)}
        for n, ((family, month), days) in enumerate(pd.Series(opened).groupby([families, opened.to_period("M")]), 1)
    ]
    by_count = pd.DataFrame(rows).assign(reason="campaign").reindex(columns=planned.columns)
    return pd.concat([planned, by_count.astype(planned.dtypes)], ignore_index=True)


def truth(fleet: Fleet) -> dict[str, Any]:
    """What the generator knew: lives, planted causes, and the pieces really issued in the year after the last day."""
    lives = fleet.true_lives()
    numbers = lives.select_dtypes("number").columns
    lives[numbers] = lives[numbers].astype(float).round(3)
    issued = fleet.issued_after(AS_OF, AFTER)
    issued["month"] = issued["issued_on"].dt.strftime("%Y-%m-01")
    monthly = issued.groupby(["part", "month"])["quantity"].sum()
    jobs = fleet.teardowns_after(AS_OF, AFTER)
    family = jobs["unit"].str.split("-").str[0]
    return {
        "as_of": AS_OF.isoformat(),
        "until": AFTER.isoformat(),
        "distance": "km",
        "lives": lives.to_dict("records"),
        "planted": [
            {
                "kind": plant.kind,
                "name": plant.name,
                "family": plant.family,
                "component": plant.component,
                "lives_divided_by": plant.factor,
                "share": plant.share,
                "since": fleet.date(plant.since).isoformat() if plant.since else None,
                "until": fleet.date(plant.until).isoformat() if plant.until < fleet.plan.days else None,
            }
            for plant in fleet.plan.plants
        ],
        "duties": {duty: {"lives_divided_by": factor} for duty, factor, _ in fleet.plan.duties},
        "issued_after": [{"part": p, "month": m, "quantity": float(q)} for (p, m), q in monthly.items()],
        "teardowns_after": {str(name): int(n) for name, n in family.value_counts().sort_index().items()},
    }


def write(folder: Path) -> None:
    """Everything the demo needs into a folder."""
    fleet = demo_fleet()
    for name, frame in tables(fleet).items():
        whole = [c for c in frame.columns if frame[c].dtype == "float64" and (frame[c].dropna() % 1 == 0).all()]
        frame = frame.astype(dict.fromkeys(whole, "Int64"))
        frame.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d", lineterminator="\n")
    write_mapping_example(folder / "mapping_example")
    text = json.dumps(truth(fleet), indent=1)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write(Path(__file__).parent)
