"""The demo: a store made from the invented fleet that comes with the program, and each desk's question answered."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

import pandas as pd

from rebuildstats import desks
from rebuildstats.answers import Answer, Progress
from rebuildstats.errors import UsageError
from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from rebuildstats.kept_answers.job import work_out
from rebuildstats.kept_answers.rows import take_known
from rebuildstats.places import beside, write_sheet
from rebuildstats.reports import sentences

#: What is worked out for the demo, and kept: the dashboard opens with it.
ASKED: Final[tuple[tuple[str, dict[str, Any]], ...]] = (
    ("history", {}),
    ("fits", {}),
    ("order", {"job_fill": 0.9}),
    ("repeats", {}),
    ("inspections", {}),
)


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
    place = work_out(store, ASKED, lambda done, of, what: tell(1 + 4 * done / max(of, 1), 6, what))
    told = place.take("history", {})
    now, fitted = take_known(place, told), place.take("fits", {})["fits"]
    ordered, back, failing = (place.take(*asked) for asked in ASKED[2:])
    tell(5, 6, "looking at one unit")
    unit = sentences.unit_to_look_at(now.records.units)
    family, age = str(unit["family"]), float(unit["age"])
    worn = desks.wear_of(now, fitted, family, age, str(unit["unit"]), None)
    paper = desks.sheet_of(now, fitted, family=family, mileage=age, unit=unit)
    write_sheet(paper.result, folder / "sheet.html")
    subject = sentences.unit_words(unit, now.history.distance)
    words = {
        "The history": sentences.history_size(loaded.frame(), now.as_of),
        "Counter: what do I order today?": [*sentences.counter(ordered["rows"], now.history.parts), *ordered["notes"]],
        "Shop office: what keeps coming back?": sentences.office(back["rows"], failing["rows"]),
        "Bench: what wears in this unit?": [*worn.first, *sentences.bench(worn.frame(), subject), *worn.last],
        "Next": sentences.next_steps(store, folder / "sheet.html"),
    }
    tell(6, 6, "done")
    rows = pd.DataFrame([(desk, line) for desk, lines in words.items() for line in lines], columns=["desk", "line"])
    return Answer(rows, result=words)
