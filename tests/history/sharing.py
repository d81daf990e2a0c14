"""Real processes at one store at once, each in the role of somebody in a shop, with the time that each waited.

What a process waits for is told apart by the operating system's own books (Linux, /proc/thread-self/schedstat: on the
processor, and waiting for a processor); what is left of the time by the clock was waiting for the store or the disk.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rebuildstats.history import drafts, store
from rebuildstats.history.corrections import store_teardown
from rebuildstats.history.keep import check
from rebuildstats.history.load import load_files

ROWS_OF_A_LOAD = 20


@dataclass(frozen=True, slots=True)
class Role:
    """One process. role: form, load, big load, nightly or dashboard. times: how often it acts, None for as long as the
    others work; every: seconds from one act to the next (half to one and a half of it, at random).
    """

    role: str
    times: int | None
    every: float


@dataclass(frozen=True, slots=True)
class Told:
    """What one process says: acts done; seconds by the clock until a reader had the store (`reads`) and until a writer
    had its turn (`turns`), and how much of each was neither on a processor nor waiting for one; how long its turns
    lasted (`held`); errors.
    """

    role: str
    done: int
    reads: list[float]
    reads_idle: list[float]
    turns: list[float]
    turns_idle: list[float]
    held: list[float]
    errors: list[str]


def share(path: Path, folder: Path, roles: list[Role]) -> list[Told]:
    """Let them all work at once; assert that no write was lost and that nobody saw half of one."""
    workers = [
        subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tests.history.sharing",
                str(path),
                str(folder),
                str(number),
                *map(str, astuple(role)),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        for number, role in enumerate(roles)
    ]
    for worker in workers:  # Python takes a while to start; they begin together
        assert worker.stdout is not None
        assert worker.stdout.readline() == "ready\n"
    for worker in workers:
        _tell(worker, "go")
    told: dict[int, Told] = {}
    for number in sorted(range(len(roles)), key=lambda n: roles[n].times is None):
        if roles[number].times is None:
            _tell(workers[number], "stop")
        out, _ = workers[number].communicate(timeout=1_200)
        told[number] = Told(**json.loads(out))
    done = {role.role: sum(told[n].done for n, r in enumerate(roles) if r.role == role.role) for role in roles}
    with store.reading(path) as con:
        there = con.execute(
            "select count(*) filter (job like 'L%'), count(*) filter (job like 'F%') from teardowns"
        ).fetchall()[0]
        kept = con.execute("select count(*) from fits").fetchall()[0][0]
    assert there == (ROWS_OF_A_LOAD * done.get("load", 0), done.get("form", 0))
    assert bool(kept) == bool(done.get("nightly"))
    assert check(path).faults.empty
    return [told[number] for number in range(len(roles))]


def _tell(worker: subprocess.Popen[str], word: str) -> None:
    assert worker.stdin is not None
    worker.stdin.write(f"{word}\n")
    worker.stdin.flush()


def spread(told: list[Told], name: str) -> tuple[int, float, float]:
    """How many of these waits there were, the 99 % quantile and the longest, in seconds."""
    values = [value for one in told for value in getattr(one, name)]
    return (len(values), float(np.quantile(values, 0.99)), max(values)) if values else (0, 0.0, 0.0)


class Worker:
    """One process at work; `watch` makes it note its waits at the places where the package opens the store."""

    def __init__(self, role: str, path: str, folder: Path, number: str) -> None:
        self.role, self.path, self.folder, self.number = role, path, folder, number
        self.told = Told(role, 0, [], [], [], [], [], [])

    def act(self, done: int) -> None:
        """Do once what the role does."""
        if self.role == "load":
            file = self.folder / f"teardowns {self.number}{done:05}.csv"
            rows = "".join(f"L{self.number}-{done}-{i},A2,2024-01-01\n" for i in range(ROWS_OF_A_LOAD))
            file.write_text("job,unit,opened_on\n" + rows)
            assert load_files(self.path, [file]).complete
        elif self.role == "big load":
            assert load_files(self.path, [self.folder / "big"]).complete
        elif self.role == "form":
            job = f"F{self.number}-{done}"
            found = [{"job": job, "component": "seal", "verdict": "ok"}]
            assert store_teardown(self.path, {"job": job, "unit": "A1", "opened_on": "2024-06-10"}, found).load
            with store.reading(self.path) as con:  # the form shows what it has written down
                assert con.execute("select count(*) from findings where job = ?", [job]).fetchall() == [(1,)]
        elif self.role == "nightly":
            from rebuildstats import answers  # takes seconds to import; the others don't need it

            answers.fits(self.path, answers.known(self.path))
        else:
            with store.reading(self.path) as con:
                teardowns, found_less = con.execute(
                    "select (select count(*) from teardowns where job like 'L%'), "
                    "(select count(*) from teardowns where job like 'F%') "
                    "- (select count(*) from findings where job like 'F%')"
                ).fetchall()[0]
            assert teardowns % ROWS_OF_A_LOAD == 0, teardowns  # nobody sees half of a write
            assert found_less == 0, found_less

    def watch(self) -> None:
        told = self.told
        store.reading = _watched(store.reading, told.reads, told.reads_idle, None)  # type: ignore[assignment]
        drafts.turn = _watched(drafts.turn, told.turns, told.turns_idle, told.held)  # type: ignore[assignment]

    def work(self, times: int | None, every: float) -> None:
        chance = random.Random(self.number)
        done = 0
        while times is None or done < times:
            if times is None and _told_to_stop():
                break
            time.sleep(every * (0.5 + chance.random()))
            try:
                self.act(done)
            except Exception as error:
                self.told.errors.append(f"{self.role}: {type(error).__name__}: {error}")
            done += 1
        failed = len(self.told.errors)
        names = Told.__slots__
        print(json.dumps({name: getattr(self.told, name) for name in names} | {"done": done - failed}), flush=True)


def _told_to_stop() -> bool:
    import select

    return bool(select.select([sys.stdin], [], [], 0)[0])


def _watched(
    opened: Callable[..., AbstractContextManager[Any]], waits: list[float], idle: list[float], held: list[float] | None
) -> Callable[..., AbstractContextManager[Any]]:
    @contextmanager
    def watched(*args: Any, **named: Any) -> Iterator[Any]:
        start, busy = time.monotonic(), _busy()
        with opened(*args, **named) as given:
            waits.append(time.monotonic() - start)
            idle.append(max(0.0, waits[-1] - (_busy() - busy)))
            entered = time.monotonic()
            try:
                yield given
            finally:
                if held is not None:
                    held.append(time.monotonic() - entered)

    return watched


def _busy() -> float:
    """Seconds that this thread has been on a processor or waiting for one."""
    try:
        on, waiting, _ = Path("/proc/thread-self/schedstat").read_text(encoding="ascii").split()
    except (OSError, ValueError):  # not Linux: only what it was on the processor
        return time.thread_time()
    return (int(on) + int(waiting)) / 1e9


def main() -> None:
    path, folder, number, role, times, every = sys.argv[1:]
    worker = Worker(role, path, Path(folder), number)
    worker.watch()
    print("ready", flush=True)
    sys.stdin.readline()
    worker.work(None if times == "None" else int(times), float(every))


if __name__ == "__main__":
    main()
