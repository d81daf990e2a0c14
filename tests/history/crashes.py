"""Processes that load into one store and are killed at any moment; and what must be true of the store afterwards.

A helper process that has imported everything forks the victims, so that a kill costs a third of a second and not a
start of Python.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from rebuildstats.history import store
from rebuildstats.history.keep import check
from tests.waiting import PATIENCE

# Reads lines "store folder"; for each forks a victim that loads file after file of the folder and writes to
# `confirmed` after each.
_NURSERY = """
import os, sys
from pathlib import Path
import rebuildstats.history.corrections, rebuildstats.history.keep
from rebuildstats.history.load import load_files
from rebuildstats.history.corrections import store_teardown, withdraw_teardown, undo_last_load

def work(path, folder, first):
    log = os.open(folder / "confirmed", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    number = first
    while True:
        file = folder / "sheets" / f"sites {number}.csv"
        file.write_text("site,served_by\\n" + "".join(f"s{number}-{i},\\n" for i in range(40)))
        load_files(path, [file])
        os.write(log, f"{number}\\n".encode())
        number += 1

print("ready", flush=True)
for line in sys.stdin:
    path, folder, first = line.rstrip("\\n").split("|")
    pid = os.fork()
    if pid == 0:
        try:
            work(path, Path(folder), int(first))
        finally:
            os._exit(1)
    print(pid, flush=True)
    os.waitpid(pid, 0)
    print("gone", flush=True)
"""


_IN_PLACE = """
import os, sys, duckdb
con = duckdb.connect(sys.argv[1])
con.execute(sys.argv[2]).fetchall()
os._exit(9)
"""


def leave_a_journal(path: Path, sql: str) -> Path:
    """A program that writes in the very file and dies between its commit and its closing of it (as the first versions
    of this one could); returns the journal.
    """
    subprocess.run([sys.executable, "-c", _IN_PLACE, str(path), sql], check=False)
    return Path(f"{path}.wal")


def kill_at_random(folder: Path, times: int, seed: int) -> int:
    """Kill a loading process `times` times; assert after each that the store holds exactly what was confirmed.
    Returns the loads.

    A load that was committed an instant before its confirmation was written counts as either.
    """
    chance = random.Random(seed)
    path = folder / "history.duckdb"
    (folder / "sheets").mkdir()
    store.create(path, "mi")
    nursery = subprocess.Popen(
        [sys.executable, "-c", _NURSERY], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert nursery.stdin is not None
    assert nursery.stdout is not None
    assert nursery.stdout.readline() == "ready\n"
    loads = 0
    usual = 0.0
    try:
        for kill in range(times):
            nursery.stdin.write(f"{path}|{folder}|{loads}\n")
            nursery.stdin.flush()
            victim = int(nursery.stdout.readline())
            if usual:
                time.sleep(chance.uniform(0.0, 2.5 * usual))
            else:  # the first victim shows how long a load takes on this machine
                usual = _seconds_of_a_load(folder)
            os.kill(victim, signal.SIGKILL)
            assert nursery.stdout.readline() == "gone\n"
            loads = _must_hold(path, folder, loads)
            if kill % 10 == 9:
                assert check(path).faults.empty
    finally:
        nursery.stdin.close()
        nursery.wait()
        nursery.stdout.close()
    assert check(path).faults.empty
    return loads


def _seconds_of_a_load(folder: Path) -> float:
    start = time.monotonic()
    while not (folder / "confirmed").exists() or not (folder / "confirmed").read_text():
        assert time.monotonic() - start < PATIENCE
        time.sleep(0.01)
    return time.monotonic() - start


def _must_hold(path: Path, folder: Path, before: int) -> int:
    log = folder / "confirmed"
    confirmed = [int(line) for line in log.read_text().split()] if log.exists() else []
    with store.reading(path) as con:
        there = con.execute(
            "select split_part(site, '-', 1)[2:]::integer as number, count(*) from sites group by all order by all"
        ).fetchall()
        book = con.execute("select count(*) from loads").fetchall()[0][0]
    numbers = [number for number, _ in there]
    assert numbers == list(range(len(numbers))), numbers
    assert all(rows == 40 for _, rows in there), there
    assert book == len(numbers)
    assert len(numbers) - len(confirmed) in (0, 1), (len(numbers), len(confirmed))
    if len(numbers) > len(confirmed):  # committed, and killed before it could say so
        with log.open("a") as out:
            out.write(f"{numbers[-1]}\n")
    assert len(numbers) >= before
    return len(numbers)
