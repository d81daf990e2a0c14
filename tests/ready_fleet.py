"""A small fleet's store with every desk's answers ready, made once a run for all who only look at it."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
import time
from functools import cache
from pathlib import Path

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from rebuildstats.kept_answers.job import work_out
from tests.fleets.random_fleet import cut_day, random_fleet

PATIENCE = 300  # seconds to wait for the fleet that another process of this run makes


@cache
def ready_fleet() -> Path:
    """The store of thirty units in two families over three years, with one planted cause; its sheets lie beside it.

    Of several processes that share a run (pytest-xdist) the first makes it and the others copy it.
    """
    folder = Path(tempfile.mkdtemp(prefix="ready-fleet-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    mine = folder / "fleet"
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID")
    if run is None:
        return _made(mine)
    shared = Path(tempfile.gettempdir()) / f"ready-fleet-{run}"
    try:
        shared.mkdir()
    except FileExistsError:
        return _copied(shared, mine) or _made(mine)
    atexit.register(shutil.rmtree, shared, ignore_errors=True)
    made = _made(mine)
    shutil.copytree(mine, shared / "draft")
    (shared / "draft").rename(shared / "fleet")
    return made


def _made(folder: Path) -> Path:
    fleet = random_fleet(5, units=30, years=3.0, families=2, components=7, plants=("make",))
    (folder / "sheets").mkdir(parents=True)
    fleet.write(folder / "sheets", cut_day(fleet))
    path = folder / "fleet.duckdb"
    stores.create(path, "mi")
    load_files(path, [folder / "sheets"])
    work_out(path)
    return path


def _copied(shared: Path, folder: Path) -> Path | None:
    """The fleet that another process makes; None where that one ended before it was done."""
    end = time.monotonic() + PATIENCE
    while shared.exists() and time.monotonic() < end:
        if (shared / "fleet").exists():
            shutil.copytree(shared / "fleet", folder)
            return folder / "fleet.duckdb"
        time.sleep(0.2)
    return None
