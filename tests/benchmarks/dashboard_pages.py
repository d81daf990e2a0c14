"""How long every page takes on a large store: its first show in a fresh process, and a rerun; memory of that process.

    python -m tests.benchmarks.dashboard_pages [history.duckdb] [--units 12500]

Without a store one is made: 12,500 units over eight years give about 1,000,000 findings. The answers are worked out
first, by a process of their own, as the dashboard has it done (its time is printed too). Marks: a first show under
2 s, a rerun under 0.3 s of server time, memory under 1 GiB. Beside each stands the multiple of a peer measured in the
same process: a bare page that shows one table of 2,000 rows and one picture. Times are the processor's, the clock's
in brackets: where others are at work on the machine, only the first tells of the page. `--profile` says where the first
show of `--page` goes.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files

APP = Path(__file__).parents[2] / "dashboards" / "app.py"
PAGES = {
    "counter": {},
    "counter, a part": {"part": ""},
    "shop_office": {},
    "shop_office, unfolded": {"see_repeats": "true", "see_teardowns_behind": "true", "see_inspections": "true"},
    "bench": {},
    "bench, a unit": {"unit": ""},
    "data_in": {},
    "track_record": {},
}
RERUNS = 4
PEER = """
import pandas as pd, numpy as np, plotly.graph_objects as go, streamlit as st
rows = pd.DataFrame({f"c{i}": np.arange(2000) * i for i in range(8)})
st.dataframe(rows)
st.plotly_chart(go.Figure(go.Bar(x=list(range(20)), y=list(range(20)))))
"""


def make_store(path: Path, units: int) -> None:
    from tests.fleets.random_fleet import cut_day, random_fleet

    fleet = random_fleet(5, units=units, years=8.0, families=6, components=14, plants=("make",))
    with tempfile.TemporaryDirectory() as folder:
        fleet.write(Path(folder), cut_day(fleet))
        stores.create(path, "mi")
        load_files(path, [folder])


def work_out(path: Path) -> float:
    from rebuildstats.kept_answers.shelf import shelf

    begun = time.perf_counter()
    command = [sys.executable, "-m", "rebuildstats.kept_answers.job", str(path), shelf(path).name]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


Times = tuple[float, float]
"""Seconds as the processor counts them, and as the clock does."""


def times_of(app: object) -> tuple[Times, Times]:
    """The first run and the quickest rerun."""
    times = []
    for _ in range(1 + RERUNS):
        begun = time.process_time(), time.perf_counter()
        app.run()  # type: ignore[attr-defined]
        times.append((time.process_time() - begun[0], time.perf_counter() - begun[1]))
    return times[0], min(times[1:])


def measure(path: str, page: str, profile: bool) -> None:
    """One page in this process, fresh: what a person waits for who opens it first."""
    from streamlit import config
    from streamlit.testing.v1 import AppTest

    config.set_option("runner.magicEnabled", False)  # as in the dashboard's settings, which are unread here
    begun = time.process_time()
    from rebuildstats import commands  # noqa: F401 -- what a server has in memory from its first page on
    from rebuildstats.kept_answers.shelf import shelf

    loaded = time.process_time() - begun
    names = shelf(path).take("history", {})["catalog"]
    asked = {"part": str(names.parts["part"].iloc[0]), "unit": str(names.units["unit"].iloc[0])}
    first, again = times_of(AppTest.from_string(PEER, default_timeout=600))
    app = AppTest.from_file(str(APP), default_timeout=600)
    for name in PAGES[page]:
        app.query_params[name] = PAGES[page][name] or asked[name]
    app.switch_page(f"desks/{page.split(',')[0]}.py")
    if profile:
        where_it_goes(app)
        return
    shown, rerun = times_of(app)
    assert not app.exception, app.exception
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    waits = sum("Working out" in str(e) for e in app.get("progress"))
    print(
        f"{page:16} first {shown[0]:6.2f} s ({shown[1]:.2f}; {shown[0] / first[0]:5.1f} of the peer)   "
        f"rerun {rerun[0]:6.3f} s ({rerun[1]:.3f}; {rerun[0] / again[0]:5.1f})   memory {memory:5.0f} MiB   "
        f"(once a server: {loaded:.1f} s)" + ("   NOT READY" if waits else ""),
        flush=True,
    )


def where_it_goes(app: object) -> None:
    """The functions that the first show's time goes to; the page's own thread is the one that counts."""
    import cProfile
    import pstats
    import threading

    kept = cProfile.Profile()
    threading.setprofile(lambda *_: (threading.setprofile(None), kept.enable())[0])  # type: ignore[arg-type]
    app.run()  # type: ignore[attr-defined]
    kept.disable()
    pstats.Stats(kept).sort_stats("cumulative").print_stats(60)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("store", nargs="?")
    parser.add_argument("--units", type=int, default=12_500)
    parser.add_argument("--page", choices=PAGES)
    parser.add_argument("--profile", action="store_true")
    told = parser.parse_args()
    if told.page:
        measure(told.store, told.page, told.profile)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(told.store or f"{folder}/history.duckdb").resolve()
        if not path.exists():
            make_store(path, told.units)
        with stores.reading(path) as con:
            print(f"{con.table('findings').shape[0]:,} findings")
        print(f"answers worked out in {work_out(path):.0f} s")
        for page in PAGES:
            command = [sys.executable, "-m", "tests.benchmarks.dashboard_pages", str(path), "--page", page]
            subprocess.run(command, check=True, env=os.environ | {"REBUILDSTATS_STORE": str(path)})


if __name__ == "__main__":
    main()
