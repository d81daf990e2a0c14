"""Lives from many findings: the SQL of `life_records` against the same rules in vectorised pandas. Run it as a script:

    python -m tests.benchmarks.bench_lives [FINDINGS [TIMES]]      (a million by default, each way three times)

Both begin with the same tables in memory, text as text: the SQL with `known_*` tables in DuckDB, pandas with frames as
`History` has them. Both end with the frame of the lives, which must be equal row for row. What DuckDB makes for other
frames only (outcomes, inspections, units) is not counted. Each way is a fresh process, one after the other; what is
told is seconds by the clock and of processor, and the most memory that the process ever held, its tables included.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd

from rebuildstats.history import store
from rebuildstats.history.known import know, table_frame
from rebuildstats.history.relations import execute, names
from rebuildstats.life_records.build import frame
from tests.benchmarks.growing_fleet import tables
from tests.benchmarks.vectorised_lives import TABLES, lives
from tests.histories import connection

_SQL = "life_records/sql"


def prepare(folder: Path, findings: int) -> None:
    """Write the `known_*` tables of a history, and the day, into a folder."""
    con = connection()
    for name, rows in tables(findings).items():
        con.register("rows_in", rows)
        con.execute(f'insert into "{name}" by name select * from rows_in').fetchall()
    (folder / "as_of").write_text(know(con).isoformat())
    for name in TABLES:
        con.execute(f"copy known_{name} to '{folder}/{name}.parquet'").fetchall()
        table_frame(con, name).to_parquet(folder / f"{name}.frame")
    con.close()


def timed(work: Callable[[], pd.DataFrame], folder: Path, name: str) -> None:
    wall, processor = time.perf_counter(), time.process_time()
    found = work()
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"{wall},{processor},{peak}")
    found.to_parquet(folder / f"lives_{name}.parquet")


def by_sql(folder: Path, as_of: date) -> None:
    needed = [name for name in names(_SQL) if name <= "70_lives"]
    with store.memory() as con:
        for name in TABLES:
            con.execute(f"create temp table known_{name} as from '{folder}/{name}.parquet'").fetchall()

        def work() -> pd.DataFrame:
            for name in needed:
                execute(con, _SQL, name, as_of=as_of)
            return frame(con, "lives")

        timed(work, folder, "sql")


def by_pandas(folder: Path, as_of: date) -> None:
    known = {name: pd.read_parquet(folder / f"{name}.frame") for name in TABLES}
    timed(lambda: lives(known, as_of), folder, "pandas")


def fresh(*arguments: object) -> list[float]:
    """Run one step of this script in a process of its own; gives what it prints."""
    command = [sys.executable, "-m", "tests.benchmarks.bench_lives", *map(str, arguments)]
    said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
    return [float(value) for value in said.split(",")] if said else []


def main(findings: int = 1_000_000, repetitions: int = 3) -> None:
    with tempfile.TemporaryDirectory(prefix="bench-lives-") as name:
        folder = Path(name)
        fresh("prepare", folder, findings)
        rows = []
        for _ in range(repetitions):
            for way in ("sql", "pandas"):
                rows.append((way, *fresh(way, folder)))
                print("{}: {:.1f} s by the clock, {:.1f} s of processor, {:.2f} GiB".format(*rows[-1]), flush=True)
        ours, theirs = (pd.read_parquet(folder / f"lives_{way}.parquet") for way in ("sql", "pandas"))
        pd.testing.assert_frame_equal(ours, theirs, rtol=1e-9)
        count = len(pd.read_parquet(folder / "findings.frame", columns=["job"]))
        best = pd.DataFrame(rows, columns=["way", "clock", "processor", "memory"]).groupby("way").min()
        print(f"{count:,} findings, {len(ours):,} lives, equal row for row; the best of {repetitions}:")
        print(best.round(2).to_string())
        ratio = best.loc["pandas"] / best.loc["sql"]
        print("pandas / SQL: {:.1f} by the clock, {:.1f} of processor".format(ratio["clock"], ratio["processor"]))


if __name__ == "__main__":
    if len(sys.argv) > 2 and not sys.argv[1].isdigit():
        step, place = sys.argv[1], Path(sys.argv[2])
        if step == "prepare":
            prepare(place, int(sys.argv[3]))
        else:
            day = date.fromisoformat((place / "as_of").read_text())
            {"sql": by_sql, "pandas": by_pandas}[step](place, day)
    else:
        main(*(int(argument) for argument in sys.argv[1:]))
