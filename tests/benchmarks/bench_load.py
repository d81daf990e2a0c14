"""How long a load of a million findings takes, as a multiple of DuckDB's own all-text `read_csv` into a table. Run it
as a script.

The load reads, types and checks every row (keys, references, positions, falling mileages), writes a store on disk and
closes it.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import duckdb

from rebuildstats.history import store
from rebuildstats.history.load import load_files

UNITS, JOBS, COMPONENTS = 1_000, 50_000, 20


def write_history(folder: Path) -> None:
    """A history of 50,000 jobs with 20 findings each, as CSV files."""
    (folder / "units.csv").write_text("unit,family,origin\n" + "".join(f"U{i},axle,new\n" for i in range(UNITS)))
    (folder / "components.csv").write_text(
        "family,component,positions\n" + "".join(f"axle,c{i},2\n" for i in range(COMPONENTS))
    )
    con = duckdb.connect()
    con.execute(
        "copy (select 'J' || i as job, 'U' || i % $units as unit, "
        "date '2000-01-01' + (i // $units)::integer * 30 as opened_on, "
        f"1000 * (i // $units) as unit_mileage from range($jobs) t(i)) to '{folder}/teardowns.csv' (header)",
        {"units": UNITS, "jobs": JOBS},
    ).fetchall()
    con.execute(
        "copy (select 'J' || i // $each as job, 'c' || i % $each as component, null as point, "
        "1 + i % 2 as position, "
        "(i % 100) / 10 as reading, 'worn' as condition, 'ok' as verdict, "
        "'reuse' as action, 'wear' as role, null as part, "
        f"1 as quantity from range($jobs * $each) t(i)) to '{folder}/findings.csv' (header)",
        {"jobs": JOBS, "each": COMPONENTS},
    ).fetchall()
    con.close()


def seconds_of_read_csv(file: Path) -> float:
    con = duckdb.connect()
    times = []
    for _ in range(3):
        start = time.perf_counter()
        con.execute(f"create or replace table t as from read_csv('{file}', all_varchar = true)").fetchall()
        times.append(time.perf_counter() - start)
    con.close()
    return min(times)


def seconds_into_file(file: Path, folder: Path) -> float:
    """The same into a table of a file on disk, as a load ends in one."""
    times = []
    for attempt in range(3):
        start = time.perf_counter()
        con = duckdb.connect(str(folder / f"peer{attempt}.duckdb"))
        con.execute(f"create table t as from read_csv('{file}', all_varchar = true)").fetchall()
        con.close()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "sheets"
        folder.mkdir()
        write_history(folder)
        alone = seconds_of_read_csv(folder / "findings.csv")
        on_disk = seconds_into_file(folder / "findings.csv", Path(name))
        times = []
        for attempt in range(3):
            path = Path(name) / f"{attempt}.duckdb"
            store.create(path, "mi")
            start = time.perf_counter()
            report = load_files(path, [folder])
            times.append(time.perf_counter() - start)
            assert report.complete
        print(report.frame().to_string(index=False))
        whole = min(times)
        print(f"whole load {whole:.2f} s; read_csv into a table in memory {alone:.2f} s: {whole / alone:.1f} times")
        print(f"read_csv into a table of a file {on_disk:.2f} s: {whole / on_disk:.1f} times")


if __name__ == "__main__":
    main()
