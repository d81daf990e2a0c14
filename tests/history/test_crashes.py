"""Whatever happens to the process or the disk, the store opens and holds the loads that were confirmed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rebuildstats.history import store
from rebuildstats.history.keep import check
from tests.history.conftest import Shop
from tests.history.crashes import kill_at_random


def test_killed_at_any_moment(tmp_path: Path) -> None:
    """Some kills here; `tests/benchmarks/crash_loop.py` does two hundred."""
    assert kill_at_random(tmp_path, 10, seed=4) >= 1


def _left_in_the_journal(path: Path) -> None:
    """A process that dies between its commit and its closing of the file."""
    code = (
        "import os, sys; from rebuildstats.history import store\n"
        "con = store.memory()\n"
        "with store.attached(con, sys.argv[1]):\n"
        "    rows = \"select 's' || i, 1, 1 from range(300) t(i)\"\n"
        "    con.execute('insert into sites (site, _load, _since) ' + rows).fetchall()\n"
        "    con.execute('commit'); con.execute('begin'); os._exit(9)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=False)


def test_a_journal_cut_off_anywhere(tmp_path: Path) -> None:
    """As by a power cut: what is whole in the journal counts, what is torn does not, and the store opens for all."""
    path = tmp_path / "history.duckdb"
    store.create(path, "mi")
    _left_in_the_journal(path)
    journal = Path(f"{path}.wal")
    file, torn = path.read_bytes(), journal.read_bytes()
    assert len(torn) > 1000
    seen = set()
    for cut in (*range(0, len(torn), len(torn) // 12), len(torn) - 1, len(torn)):
        path.write_bytes(file)
        journal.write_bytes(torn[:cut])
        with store.reading(path) as con:
            seen.add(con.execute("select count(*) from sites").fetchall()[0][0])
        with store.writing(path) as con:
            con.execute("insert into sites (site, _load, _since) values ('after', 1, 1)").fetchall()
        assert not check(path).faults["what"].isin(["keys that repeat"]).any()
    assert seen == {0, 300}


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
    noise = "".join(f"K{i},A2,2024-01-01,{os.urandom(60).hex()}\n" for i in range(40_000))
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


_BIG_LOAD = """
import sys
from rebuildstats.history.load import load_files
print("on", flush=True)
try:
    load_files(sys.argv[1], [sys.argv[2]])
except KeyboardInterrupt:
    print("stopped", flush=True)
"""


@pytest.mark.parametrize("delay", [0.05, 0.5])
def test_ctrl_c_stops_at_once_and_leaves_the_store_as_it_was(shop: Shop, delay: float) -> None:
    file = shop.folder / "teardowns.csv"
    file.write_text("job,unit,opened_on\n" + "".join(f"K{i},A2,2024-01-01\n" for i in range(400_000)))
    process = subprocess.Popen(
        [sys.executable, "-c", _BIG_LOAD, str(shop.path), str(file)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "on\n"
    time.sleep(delay)
    process.send_signal(signal.SIGINT)
    start = time.monotonic()
    out, _ = process.communicate(timeout=30)
    assert time.monotonic() - start < 10
    assert out == "stopped\n"
    assert len(shop.rows("teardowns")) == 2
    assert len(shop.rows("loads")) == 1
