"""Real processes at one store at once: a loader, a form, a nightly writer and readers, for as long as they are told."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from rebuildstats.history import store
from rebuildstats.history.keep import check

_WORKER = """
import json, sys, time
from pathlib import Path
from rebuildstats.history import store
from rebuildstats.history.corrections import store_teardown
from rebuildstats.history.load import load_files

role, path, folder, seconds, number = sys.argv[1], sys.argv[2], Path(sys.argv[3]), float(sys.argv[4]), sys.argv[5]
done, longest, errors = 0, 0.0, []
print("ready", flush=True)
sys.stdin.readline()
end = time.monotonic() + seconds
while time.monotonic() < end:
    start = time.monotonic()
    try:
        if role == "load":
            file = folder / f"teardowns {number}{done:05}.csv"
            rows = "".join(f"L{number}-{done}-{i},A2,2024-01-01\\n" for i in range(20))
            file.write_text("job,unit,opened_on\\n" + rows)
            assert load_files(path, [file]).complete
        elif role == "form":
            job = f"F{number}-{done}"
            found = [{"job": job, "component": "seal", "verdict": "ok"}]
            assert store_teardown(path, {"job": job, "unit": "A1", "opened_on": "2024-06-10"}, found).load
            time.sleep(0.1)
        elif role == "nightly":
            with store.writing(path) as con:
                con.execute("select sum(hash(i)) from range(3000000) t(i)").fetchall()
                con.execute("insert into settings values (?, 'x')", [f"night {number}-{done}"]).fetchall()
            time.sleep(0.3)
        else:
            with store.reading(path) as con:
                longest = max(longest, time.monotonic() - start)
                teardowns, findings = con.execute(
                    "select (select count(*) from teardowns where job like 'L%'), "
                    "(select count(*) from teardowns where job like 'F%') - (select count(*) from findings)"
                ).fetchall()[0]
            assert teardowns % 20 == 0 and findings == 0, (teardowns, findings)  # nobody sees half of a write
            time.sleep(0.05)
        done += 1
    except Exception as error:
        errors.append(f"{role}: {type(error).__name__}: {error}")
print(json.dumps({"role": role, "done": done, "longest": longest, "errors": errors}))
"""


def share(path: Path, folder: Path, seconds: float) -> list[dict[str, Any]]:
    """Let them all work for some seconds; assert that no write was lost and return what each says: role, done,
    longest, errors.
    """
    roles = ("load", "load", "form", "nightly", "read", "read")
    workers = [
        subprocess.Popen(
            [sys.executable, "-c", _WORKER, role, str(path), str(folder), str(seconds), str(number)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for number, role in enumerate(roles)
    ]
    for worker in workers:  # Python takes a while to start; they begin together
        assert worker.stdout is not None
        assert worker.stdout.readline() == "ready\n"
    told = []
    for worker in workers:
        assert worker.stdin is not None
        worker.stdin.write("go\n")
        worker.stdin.flush()
    for worker in workers:
        out, _ = worker.communicate(timeout=seconds + 120)
        told.append(json.loads(out))
    done = {role: sum(t["done"] for t in told if t["role"] == role) for role in roles}
    with store.reading(path) as con:
        there = con.execute(
            "select count(*) filter (job like 'L%'), count(*) filter (job like 'F%') from teardowns"
        ).fetchall()[0]
        nights = con.execute("select count(*) from settings where name like 'night%'").fetchall()[0][0]
    assert there == (20 * done["load"], done["form"])
    assert nights == done["nightly"]
    assert check(path).faults.empty
    return told
