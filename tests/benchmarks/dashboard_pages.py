"""How long every page takes on a store: its first run and a rerun, on the server's side, and the memory of the process.

    python -m tests.benchmarks.dashboard_pages history.duckdb

The marks: a rerun under 0.3 s, a first run on a store that was fitted before under 2 s, memory under 1 GiB, at
1,000,000 findings.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from pathlib import Path

from streamlit.testing.v1 import AppTest

from rebuildstats.history import store as stores

APP = Path(__file__).parents[2] / "dashboards" / "app.py"
PAGES = ("counter", "shop_office", "bench", "data_in", "track_record")


def main(store: str) -> None:
    os.environ["REBUILDSTATS_STORE"] = store
    with stores.reading(store) as con:
        findings = con.table("findings").shape[0]
    print(f"{findings:,} findings")
    for page in PAGES:
        app = AppTest.from_file(str(APP), default_timeout=3600)
        app.switch_page(f"desks/{page}.py")
        times = []
        for _ in range(4):
            begun = time.perf_counter()
            app.switch_page(f"desks/{page}.py")
            app.run()
            times.append(time.perf_counter() - begun)
        assert not app.exception, app.exception
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{page:14} first {times[0]:7.2f} s   rerun {min(times[1:]):6.3f} s   memory {memory:7.0f} MiB")


if __name__ == "__main__":
    main(sys.argv[1])
