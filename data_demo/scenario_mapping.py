"""The mapping example: a small shop's winches on one flat sheet in its own words, as such sheets come.

`sheet.csv` has semicolons, decimal commas, points between thousands, dates as dd.mm.yyyy, the job repeated on every
line, a clock in miles, a blank line now and then and Windows line ends. `units.csv`, `components.csv`, `points.csv` and
`parts.csv` beside it are by the contract; `mapping.toml` says how the sheet is to be read.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pandas as pd

from data_demo.fleet_specs import FleetPlan
from data_demo.fleet_tables import run_fleet
from data_demo.scenario_families import WD12
from data_demo.scenario_parts import parts

KM_PER_MILE = 1.609344
START, AS_OF = dt.date(2020, 1, 1), dt.date(2023, 12, 29)
HEADERS = {
    "job": "Job no.",
    "unit": "Serial",
    "opened_on": "Opened",
    "closed_on": "Finished",
    "unit_mileage": "Clock (mi)",
    "reason": "Why in",
    "scope": "How far",
    "complaint": "Driver says",
    "bench": "Bench",
    "component": "Item",
    "position": "Which",
    "point": "Check",
    "reading": "Measured",
    "condition": "Looks like",
    "verdict": "Result",
    "action": "Done",
    "role": "Because",
    "part": "Part no.",
    "quantity": "Pcs",
}
OWN_WORDS = {
    "reason": {"failure": "broke down", "scheduled": "booked", "campaign": "campaign", "comeback": "came back"},
    "scope": {"rebuild": "full", "repair": "part"},
    "verdict": {"ok": "good", "fail": "bad", "not_checked": "-"},
    "action": {"reuse": "kept", "dress": "stoned", "machine": "turned", "replace": "new"},
    "role": {"cause": "root cause", "consequence": "knock-on", "wear": "worn"},
}


def example_tables() -> dict[str, pd.DataFrame]:
    """What the sheet says, as tables of the contract."""
    winches = replace(WD12, units=14, spares=1)
    plan = FleetPlan(
        start=START,
        days=(AS_OF - START).days + 10,
        families=(winches,),
        parts=parts(),
        yearly=(75_000.0, 0.2),
        vehicle_prefix="K",
        mileage_given=1.0,
        first_mileage_given=1.0,
        retire=0.0,
        benches=(("front", "main"), ("back", "main")),
    )
    return run_fleet(plan, 5).tables(AS_OF)


def write_mapping_example(folder: Path) -> None:
    """The flat sheet and the contract's tables beside it."""
    folder.mkdir(exist_ok=True)
    tables = example_tables()
    lines = tables["findings"].merge(tables["teardowns"], on="job", suffixes=("", "_of_job"))
    sheet = pd.DataFrame({header: _cells(lines[name], name) for name, header in HEADERS.items()})
    lines_of_text = []
    for n, line in enumerate(sheet.to_csv(sep=";", index=False).split("\n")):
        if n % 97 == 96:
            lines_of_text.append(";" * (len(HEADERS) - 1))
        lines_of_text.append(line)
    (folder / "sheet.csv").write_bytes("\r\n".join(lines_of_text).encode("utf-8"))
    used = set(tables["part_uses"]["part"])
    for name in ("units", "components", "points", "parts"):
        frame = tables[name]
        frame = frame[frame["part"].isin(used)] if name == "parts" else frame
        frame.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d", lineterminator="\n")


def _cells(values: pd.Series, name: str) -> list[str]:
    if name.endswith("_on"):
        return ["" if pd.isna(v) else f"{v:%d.%m.%Y}" for v in values]
    if name == "unit_mileage":
        return ["" if pd.isna(v) else f"{v / KM_PER_MILE:,.0f}".replace(",", ".") for v in values]
    if name in ("reading", "quantity"):
        return ["" if pd.isna(v) else f"{v:g}".replace(".", ",") for v in values]
    words = OWN_WORDS.get(name, {})
    return ["" if pd.isna(v) else words.get(str(v), str(v)) for v in values]
