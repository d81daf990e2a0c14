"""Whatever happens to the process or the disk, the store opens and holds the loads that were confirmed."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rebuildstats.history import store
from rebuildstats.history.keep import check
from tests.history.conftest import Shop
from tests.history.crashes import kill_at_random, leave_a_journal
from tests.waiting import PATIENCE


def test_killed_at_any_moment(tmp_path: Path) -> None:
    """Some kills here; `tests/benchmarks/crash_loop.py` does two hundred."""
    assert kill_at_random(tmp_path, 10, seed=4) >= 1


_MANY_SITES = "insert into sites (site, _load, _since) select 's' || i + {0}, 1, 1 from range(300) t(i)"


def test_a_journal_cut_off_anywhere(tmp_path: Path) -> None:
    """As by a power cut: what is whole in the journal counts, what is torn does not, and the store opens for all."""
    path = tmp_path / "history.duckdb"
    store.create(path, "mi")
    journal = leave_a_journal(path, f"begin; {_MANY_SITES.format(0)}; commit; begin; {_MANY_SITES.format(300)}; commit")
    file, torn = path.read_bytes(), journal.read_bytes()
    assert len(torn) > 10_000
    chance = random.Random(1)
    seen = set()
    for cut in (0, *(chance.randrange(1, len(torn)) for _ in range(7)), len(torn) - 1, len(torn)):
        path.write_bytes(file)
        journal.write_bytes(torn[:cut])
        with store.reading(path) as con:
            seen.add(con.execute("select count(*) from sites").fetchall()[0][0])
        with store.writing(path) as con:
            con.execute("insert into sites (site, _load, _since) values ('after', 1, 1)").fetchall()
        assert not journal.exists()
    assert not check(path).faults["what"].isin(["keys that repeat"]).any()
    assert seen == {0, 300, 600}


def test_a_write_is_on_the_disk_before_it_is_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a power cut can leave: of every write the whole draft goes to the disk first, then its name, then the
    folder; and at each moment up to the change of names a copy of the folder is the store as it was.
    """
    path = tmp_path / "history.duckdb"
    store.create(path, "mi")
    told: list[str] = []

    def watched(name: str, done: Callable[..., None]) -> Callable[..., None]:
        def call(*args: Any) -> None:
            told.append(name)
            if "replace" not in told:
                assert path.read_bytes() == before
            done(*args)

        return call

    for name in ("fsync", "replace"):
        monkeypatch.setattr(os, name, watched(name, getattr(os, name)))
    before = path.read_bytes()
    with store.writing(path) as con:
        told.clear()  # the copying
        con.execute(_MANY_SITES.format(0)).fetchall()
    assert told == ["fsync", "replace", "fsync"]
    assert not Path(f"{path}.wal").exists()
    with store.reading(path) as con:
        assert con.execute("select count(*) from sites").fetchall() == [(300,)]


def test_what_a_dead_writer_left_is_tidied_up(tmp_path: Path) -> None:
    path = tmp_path / "history.duckdb"
    store.create(path, "mi")
    code = (
        "import os, sys; from rebuildstats.history import store\n"
        "with store.writing(sys.argv[1]) as con:\n"
        f"    con.execute({_MANY_SITES.format(0)!r}).fetchall(); con.execute('commit'); os._exit(9)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=False)
    assert len(list(tmp_path.iterdir())) == 2
    with store.writing(path) as con:
        assert con.execute("select count(*) from sites").fetchall() == [(0,)]
    assert list(tmp_path.iterdir()) == [path]


_FULL_DISK = """
import resource, signal, sys
from rebuildstats.history.load import load_files
from rebuildstats.errors import StoreError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
size = int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))  # a file that cannot grow any more, as on a full disk
try:
    load_files(sys.argv[1], [sys.argv[2]])
except StoreError as error:
    print(error)
    sys.exit(7)
"""


def test_a_full_disk(shop: Shop) -> None:
    file = shop.folder / "teardowns.csv"
    chance = random.Random(3)  # noise, which can't be pressed together
    noise = "".join(f"K{i},A2,2024-01-01,{chance.randbytes(60).hex()}\n" for i in range(10_000))
    file.write_text("job,unit,opened_on,complaint\n" + noise)
    before = shop.rows("teardowns")
    size = shop.path.stat().st_size
    done = subprocess.run(
        [sys.executable, "-c", _FULL_DISK, str(shop.path), str(file), str(size + 60_000)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 7, done.stderr
    assert "failed, nothing of it was kept" in done.stdout
    assert shop.rows("teardowns").equals(before)
    assert check(shop.path).faults.empty
    assert shop.load_paths([file]).complete


_PRESSED = """
import os, signal, sys, threading
from rebuildstats.history.load import load_files
from rebuildstats.history.staging import Staging
run = Staging.run

def endless(self, name, *args, **named):
    if name == moment:  # Ctrl-C comes while a statement runs that would go on for days
        threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGINT)).start()
        self.con.execute("select count(*) from range(1000000000000000) t(i) where hash(i) = 7").fetchall()
    return run(self, name, *args, **named)

Staging.run = endless
for moment in sys.argv[3:]:
    try:
        load_files(sys.argv[1], [sys.argv[2]])
    except KeyboardInterrupt:
        print("stopped at", moment)
"""


def test_ctrl_c_stops_at_once_and_leaves_the_store_as_it_was(shop: Shop) -> None:
    """While the rows are prepared and while they are written."""
    file = shop.folder / "teardowns.csv"
    file.write_text("job,unit,opened_on\nK1,A2,2024-01-01\n")
    command = [sys.executable, "-c", _PRESSED, str(shop.path), str(file), "load/typed", "load/next_load"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE)
    assert done.stdout == "stopped at load/typed\nstopped at load/next_load\n", done.stderr
    assert len(shop.rows("teardowns")) == 2
    assert len(shop.rows("loads")) == 1
