"""A small fleet's store with every desk's answers ready, made once a run for all who only look at it."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from rebuildstats.kept_answers.job import work_out
from tests.fleets.random_fleet import cut_day, random_fleet


@cache
def ready_fleet() -> Path:
    """The store of thirty units in two families over three years, with one planted cause; its sheets lie beside it."""
    folder = Path(tempfile.mkdtemp(prefix="ready-fleet-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    fleet = random_fleet(5, units=30, years=3.0, families=2, components=7, plants=("make",))
    (folder / "sheets").mkdir()
    fleet.write(folder / "sheets", cut_day(fleet))
    path = folder / "fleet.duckdb"
    stores.create(path, "mi")
    load_files(path, [folder / "sheets"])
    work_out(path)
    return path
