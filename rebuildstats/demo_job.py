"""The demo: a store made from the invented fleet that comes with the program, and each desk's question answered."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from rebuildstats import desks
from rebuildstats.answers import Answer, Progress, fits, known
from rebuildstats.errors import UsageError
from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from rebuildstats.places import beside, write_sheet
from rebuildstats.reports import sentences


def run_demo(folder: str | Path, *, progress: Progress | None = None) -> Answer:
    """Build the demo store in a folder (or use the one that stands there) and answer each desk's question with it.

    The rows are the answers in words: desk, line. Raises UsageError where the folder can't be made.
    """
    folder = Path(folder)
    store = folder / "history.duckdb"
    tables = beside("data_demo", "_data_demo")
    tell = progress or (lambda *_: None)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"The folder {folder} can't be made: {error.strerror}.") from error
    tell(0, 6, "loading the demo fleet")
    if not store.exists():
        truth = json.loads((tables / "truth.json").read_text(encoding="utf-8"))
        stores.create(store, truth["distance"])
    loaded = load_files(store, sorted(tables.glob("*.csv")))
    now = known(store)
    fitted = fits(store, now, progress=lambda done, of, what: tell(1 + done / of, 6, f"fitting {what}"))
    tell(2, 6, "forecasting parts and working out the order")
    ahead = desks.forecast_of(now, fitted.life, fitted.units)
    ordered = desks.order_of(now, ahead, desks.goal_of(None, None, None))
    tell(4, 6, "looking for what comes back")
    back = desks.repeats_of(now, fitted.life)
    failing = desks.inspections_of(now, fitted.points, ahead)
    tell(5, 6, "looking at one unit")
    unit = sentences.unit_to_look_at(now.records.units)
    family, age = str(unit["family"]), float(unit["age"])
    worn = desks.wear_of(now, fitted, family, age, str(unit["unit"]), None)
    paper = desks.sheet_of(now, fitted, family=family, mileage=age, unit=unit)
    write_sheet(paper.result, folder / "sheet.html")
    subject = sentences.unit_words(unit, now.history.distance)
    told = {
        "The history": sentences.history_size(loaded.frame(), now.as_of),
        "Counter: what do I order today?": [*sentences.counter(ordered.frame(), now.history.parts), *ordered.notes],
        "Shop office: what keeps coming back?": sentences.office(back.frame(), failing.frame()),
        "Bench: what wears in this unit?": [*worn.first, *sentences.bench(worn.frame(), subject), *worn.last],
        "Next": sentences.next_steps(store, folder / "sheet.html"),
    }
    tell(6, 6, "done")
    rows = pd.DataFrame([(desk, line) for desk, lines in told.items() for line in lines], columns=["desk", "line"])
    return Answer(rows, result=told)
