"""A nightly `fit` after 100 new teardowns against the full refit, on one store. Run it as a script:
`python -m tests.benchmarks.bench_nightly [FINDINGS]`, a million by default.

Seconds of processor, so that what else the machine does counts for little: reading the history and making its lives
(`known`), the hash of the lives, the fits of components and of units; then `fit` with nothing new, and after 100 more
teardowns. The last must give the numbers of a store fitted anew.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import rebuildstats
from rebuildstats.answers import known
from rebuildstats.fits import kept
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files

FAMILIES, COMPONENTS, UNITS = 20, 20, 2_000
NEW = 100


def processor(what: str, work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    found = work()
    seconds = time.process_time() - start
    print(f"{what}: {seconds:.1f} s of processor", flush=True)
    return seconds, found


def write_history(folder: Path, jobs: int, rng: np.random.Generator) -> None:
    """Teardowns of 2,000 units in 20 families, one finding each for their 20 components; Weibull lives between
    replacements of what is found failed."""
    folder.mkdir()
    unit = np.arange(UNITS)
    name, family = np.char.add("U", unit.astype(str)), np.char.add("F", (unit % FAMILIES).astype(str))
    pd.DataFrame({"unit": name, "family": family, "origin": "new"}).to_csv(folder / "units.csv", index=False)
    design = pd.DataFrame(
        [(f"F{f}", f"c{c}", f"group {c % 5}") for f in range(FAMILIES) for c in range(COMPONENTS)],
        columns=["family", "component", "group"],
    )
    design.to_csv(folder / "components.csv", index=False)
    scale = np.exp(rng.normal(np.log(90_000.0), 0.4, (FAMILIES, COMPONENTS)))
    shape = np.exp(rng.normal(np.log(2.2), 0.2, (FAMILIES, COMPONENTS)))
    age = np.zeros((UNITS, COMPONENTS))
    life = scale[unit % FAMILIES] * rng.weibull(shape[unit % FAMILIES])
    mileage, rounds, found = np.zeros(UNITS), -(-jobs // UNITS), []
    torn = []
    for k in range(rounds):
        who = unit if (k + 1) * UNITS <= jobs else unit[: jobs - k * UNITS]
        run = rng.uniform(15_000, 45_000, UNITS)
        mileage, age = mileage + run, age + run[:, None]
        job = np.char.add(f"J{k}-", who.astype(str))
        day = (np.datetime64("2000-01-01") + 120 * k + who % 90).astype("datetime64[D]")
        torn.append(
            pd.DataFrame({"job": job, "unit": name[who], "opened_on": day, "unit_mileage": mileage[who].round()})
        )
        failed = (age >= life)[who]
        found.append(
            pd.DataFrame(
                {
                    "job": np.repeat(job, COMPONENTS),
                    "component": np.tile(np.char.add("c", np.arange(COMPONENTS).astype(str)), len(who)),
                    "verdict": np.where(failed.ravel(), "fail", "ok"),
                    "action": np.where(failed.ravel(), "replace", "reuse"),
                }
            )
        )
        again = np.zeros_like(age, dtype=bool)
        again[who] = failed
        fresh = scale[unit % FAMILIES] * rng.weibull(shape[unit % FAMILIES])
        age, life = np.where(again, 0.0, age), np.where(again, fresh, life)
    pd.concat(torn).to_csv(folder / "teardowns.csv", index=False)
    pd.concat(found).to_csv(folder / "findings.csv", index=False)


def write_new(folder: Path, whole: Path) -> None:
    """A hundred more teardowns: those of the last day's units again, 20,000 further on."""
    folder.mkdir()
    torn = pd.read_csv(whole / "teardowns.csv").tail(NEW)
    found = pd.read_csv(whole / "findings.csv")
    day = pd.to_datetime(torn["opened_on"]) + pd.Timedelta(days=200)
    later = torn.assign(job="N" + torn["job"], opened_on=day.dt.date, unit_mileage=torn["unit_mileage"] + 20_000)
    later.to_csv(folder / "teardowns.csv", index=False)
    found = found[found["job"].isin(torn["job"])]
    found.assign(job="N" + found["job"]).to_csv(folder / "findings.csv", index=False)


def main(findings: int = 1_000_000) -> None:
    folder = Path(tempfile.mkdtemp(prefix="bench-nightly-"))
    try:
        write_history(folder / "all", findings // COMPONENTS, np.random.default_rng(3))
        write_new(folder / "new", folder / "all")
        path = folder / "history.duckdb"
        stores.create(path, "mi")
        load_files(path, [folder / "all"])
        _, now = processor("history and lives", lambda: known(path))
        rows = len(now.history.findings), len(now.records.lives), len(now.records.unit_lives)
        print("{:,} findings, {:,} lives, {:,} of units".format(*rows))
        processor("hash of the lives", lambda: kept.lives_hash(now.records.lives, now.history.components))
        processor("fits of components", lambda: fit_lives(now.records.lives, now.history.components))
        processor("fits of units", lambda: fit_unit_lives(now.records.unit_lives))
        full, _ = processor("fit, first time", lambda: rebuildstats.fit(path))
        same, _ = processor("fit, nothing new", lambda: rebuildstats.fit(path))
        load_files(path, [folder / "new"])
        nightly, answer = processor(f"fit after {NEW} teardowns", lambda: rebuildstats.fit(path))
        with stores.writing(path) as con:
            con.execute("delete from fits").fetchall()
        again = rebuildstats.fit(path)
        assert answer.rows.equals(again.rows), "not the numbers of a full refit"
        print(f"nothing new 1/{full / same:.1f} of the full refit; after {NEW} teardowns 1/{full / nightly:.1f}")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
