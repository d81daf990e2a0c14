"""Fits and forecast on a cluster: how time falls with workers, what moves, and what that says of many. Run it as a
script: `python -m tests.benchmarks.bench_cluster [FAMILIES [UNITS]]`.

Three measurements on one store of random families. In this process, family by family and exchange by exchange: the
processor's seconds of every part and of home's reckoning between, and the bytes that go either way; from them the time
that k workers would take, were each exchange as long as its fullest worker (parts to workers by the longest first).
Then a real cluster with one worker and with two, against one machine, and what a task that does nothing costs.
"""

from __future__ import annotations

import pickle
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import distributed
import numpy as np

import rebuildstats
from rebuildstats.by_family import pieces
from rebuildstats.by_family.pieces import Ahead, Done, Job
from rebuildstats.fits.exchange import taken
from rebuildstats.history import families
from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from tests.fleets.random_fleet import cut_day, random_fleet

AHEAD = Ahead(12, 0, total=True, all_methods=False)
WORKERS = (1, 2, 4, 8, 16, 100)
EMPTY_TASKS = 500


def store_of(folder: Path, count: int, units: int) -> Path:
    fleet = random_fleet(17, units=units, years=5.0, families=count, components=8)
    (folder / "sheets").mkdir()
    fleet.write(folder / "sheets", cut_day(fleet))
    path = folder / "network.duckdb"
    stores.create(path, "mi")
    load_files(path, [folder / "sheets"])
    return path


def processor(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    found = work()
    return time.process_time() - start, found


def spent_on(work: Callable[[], Any]) -> tuple[tuple[float, float], Any]:
    """Seconds of the clock and of this process's processor."""
    clock, start = time.perf_counter(), time.process_time()
    found = work()
    return (time.perf_counter() - clock, time.process_time() - start), found


def on_cluster(path: Path, address: str, workers: int) -> None:
    """The forecast on a real cluster: seconds of the clock, of home's processor, of the busiest worker's."""
    with distributed.Client(address, set_as_default=False) as client:
        before = client.run(time.process_time)
        (clock, home), _ = spent_on(lambda: rebuildstats.forecast(path, total=True, cluster=address))
        after = client.run(time.process_time)
        (_, _), _ = spent_on(lambda: client.gather(client.map(abs, range(EMPTY_TASKS), pure=False)))
        (empty, _), _ = spent_on(lambda: client.gather(client.map(abs, range(EMPTY_TASKS), pure=False)))
    busiest = max(after[worker] - before[worker] for worker in after)
    print(
        f"cluster of {workers}: {clock:.1f} s of the clock; processor: busiest worker {busiest:.1f} s, "
        f"home and scheduler {home:.1f} s; an empty task {1e3 * empty / EMPTY_TASKS:.2f} ms"
    )


def by_exchange(job: Job) -> tuple[list[list[float]], list[float], list[int], list[int]]:
    """Seconds of every part by exchange, seconds of home by exchange, bytes home and bytes out by family."""
    count = len(job.of.families)
    told: list[list[Any]] = [[] for _ in range(count)]
    home, out = [0] * count, [0] * count
    parts, reckoning, asked, todo = [], [], {}, list(range(count))
    while todo:
        spent = []
        for place in todo:
            had = max(len(told[place]) - 1, 0)
            seconds, said = processor(lambda p=place, h=had: pieces.advance(job, p, told[p][h:], h))
            spent.append(seconds)
            home[place] += len(pickle.dumps(said))
            if not isinstance(said, Done):
                asked[place] = said
        parts.append(spent)
        seconds, answers = processor(lambda: taken(asked))
        reckoning.append(seconds)
        for place, answer in answers.items():
            out[place] += len(pickle.dumps(answer))
            told[place].append(answer)
        todo = list(answers)
    return parts, reckoning, home, out


def makespan(spent: list[float], workers: int) -> float:
    """The longest worker's time where parts go, the longest first, to whoever is free."""
    busy = np.zeros(workers)
    for seconds in sorted(spent, reverse=True):
        busy[busy.argmin()] += seconds
    return float(busy.max())


def main(count: int = 8, units: int = 240) -> None:
    folder = Path(tempfile.mkdtemp(prefix="bench-cluster-"))
    try:
        path = store_of(folder, count, units)
        with stores.reading(path) as con:
            ((findings,),) = con.execute("select count(*) from findings").fetchall()
        divide, of = processor(lambda: families.divided(path))
        size = sum(file.stat().st_size for file in Path(of.folder).rglob("*.parquet"))
        print(
            f"{count} families, {units} units, {sum(of.teardowns)} teardowns (largest {max(of.teardowns)}), "
            f"{findings} findings; divided in {divide:.1f} s of processor, {size / findings:.0f} bytes a finding"
        )

        parts, reckoning, home, out = by_exchange(Job("bench", of, AHEAD))
        every = sum(map(sum, parts))
        print(
            f"{len(parts)} exchanges; all parts {every:.1f} s of processor, home {sum(reckoning):.2f} s; "
            f"home come {np.mean(home) / 1e3:.0f} kB a family, out go {np.mean(out) / 1e3:.0f} kB"
        )
        alone = [makespan(spent, 1) for spent in parts]
        print(
            f"a part between two exchanges: median {1e3 * np.median([s for p in parts for s in p]):.0f} ms, "
            f"longest {max(max(p) for p in parts):.2f} s"
        )
        for workers in WORKERS:
            seconds = sum(makespan(spent, workers) for spent in parts) + sum(reckoning)
            print(
                f"  {workers:>3} workers: {seconds:.1f} s, {(sum(alone) + sum(reckoning)) / seconds:.1f} times as fast"
            )

        (one, own), _ = spent_on(lambda: rebuildstats.forecast(path, total=True))
        print(f"one machine: {one:.1f} s of the clock, {own:.1f} s of processor")
        for workers in (1, 2):
            with distributed.LocalCluster(
                n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0", memory_limit=0
            ) as cluster:
                on_cluster(path, cluster.scheduler_address, workers)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
