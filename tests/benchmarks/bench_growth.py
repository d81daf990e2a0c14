"""How the cost of each step grows with the findings, measured and drawn. Run it as a script:

    python -m tests.benchmarks.bench_growth FOLDER [FINDINGS ...]     (by default 10^4, 10^5, 10^6)

What grows is the fleet (`growing_fleet`): more teardowns of more units in the same 20 families, with the same parts. A
step is one question's own work, what it works on being ready: load (from CSV files into a new store), lives (`known`:
the history read, its lives made), fit (components, units, points), forecast (12 months), order, repeats, inspections.
Each runs in a fresh process with a time limit and is told in seconds of processor; after every point FOLDER/growth.csv
is written, so the run can be stopped and goes on where it was. Sizes are what was asked of `growing_fleet`. At the end
FOLDER/growth.html shows the points, beside each step the line of n log n through its first point; printed are each
step's exponents.
"""

from __future__ import annotations

import pickle
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats import desks
from rebuildstats.answers import fits, known
from rebuildstats.figures import palette
from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from tests.benchmarks.growing_fleet import tables

STEPS = ("load", "lives", "fit", "forecast", "order", "repeats", "inspections")
LIMIT_SECONDS = 2_400
COLUMNS = ["findings", "step", "seconds", "gibibytes"]


def timed(work: Callable[[], Any]) -> Any:
    """Do the work and print its seconds of processor and the process's most memory."""
    begun = time.process_time()
    found = work()
    seconds = time.process_time() - begun
    print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20)
    return found


def write(folder: Path, asked: int) -> None:
    (folder / "sheets").mkdir(parents=True)
    for name, frame in tables(asked).items():
        frame.to_csv(folder / "sheets" / f"{name}.csv", index=False)


def load(folder: Path) -> None:
    path = folder / "history.duckdb"
    path.unlink(missing_ok=True)
    stores.create(path, "km")
    report = timed(lambda: load_files(path, [folder / "sheets"]))
    assert report.complete, "every row is lawful and must go in"


def step(name: str, folder: Path) -> None:
    """One step on a store; what a later one works on is kept in the folder, so that a process does nothing else."""
    path = folder / "history.duckdb"
    if name == "lives":
        _keep(folder, name, timed(lambda: known(path)))
        return
    now = _kept(folder, "lives")
    if name == "fit":
        _keep(folder, name, timed(lambda: fits(path, now)))
        return
    fitted = _kept(folder, "fit")
    if name == "forecast":
        _keep(folder, name, timed(lambda: desks.forecast_of(now, fitted.life, fitted.units)))
    elif name == "repeats":
        timed(lambda: desks.repeats_of(now, fitted.life))
    else:
        ahead = _kept(folder, "forecast")
        if name == "order":
            timed(lambda: desks.order_of(now, ahead, desks.goal_of(None, None, None)))
        else:
            openings = desks.openings_ahead(now, fitted.units, ahead)
            timed(lambda: desks.inspections_of(now, fitted.points, openings, None, None))


def _keep(folder: Path, name: str, found: Any) -> None:
    (folder / f"{name}.pickle").write_bytes(pickle.dumps(found))


def _kept(folder: Path, name: str) -> Any:
    return pickle.loads((folder / f"{name}.pickle").read_bytes())


def measured(asked: int, name: str, folder: Path) -> list[float]:
    """A step in a fresh process: its seconds and gibibytes, missing where it takes longer than the limit."""
    command = [sys.executable, "-m", "tests.benchmarks.bench_growth", name, str(folder), str(asked)]
    try:
        said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, timeout=LIMIT_SECONDS).stdout
    except subprocess.TimeoutExpired:
        return [np.nan, np.nan]
    return [float(value) for value in said.split()]


def measure(folder: Path, sizes: list[int]) -> pd.DataFrame:
    """All points, those of an earlier run taken from its file."""
    file = folder / "growth.csv"
    points = pd.read_csv(file) if file.exists() else pd.DataFrame(columns=COLUMNS)
    for asked in sizes:
        place = folder / str(asked)
        for name in STEPS:
            mine = points[points["step"] == name]
            given_up = bool(mine.loc[mine["findings"] < asked, "seconds"].isna().any())
            if (mine["findings"] == asked).any() or given_up:
                continue
            if name == "load":
                shutil.rmtree(place, ignore_errors=True)
                measured(asked, "write", place)
            row = pd.DataFrame([[asked, name, *measured(asked, name, place)]], columns=COLUMNS)
            points = row if points.empty else pd.concat([points, row], ignore_index=True)
            points.to_csv(file, index=False)
            print(row.to_string(header=False, index=False), flush=True)
        shutil.rmtree(place / "sheets", ignore_errors=True)
    return points


def exponents(points: pd.DataFrame) -> pd.DataFrame:
    """By step: seconds at each size, the exponent of all points and of the last two, and that of n log n there."""
    rows = []
    for name in STEPS:
        mine = points[(points["step"] == name) & points["seconds"].notna()].sort_values("findings")
        if len(mine) < 2:
            continue
        n, seconds = np.log(mine["findings"].to_numpy(float)), np.log(mine["seconds"].to_numpy(float))
        of_n_log_n = n + np.log(n)
        rows.append(
            {
                "step": name,
                **{f"{size:,}": value for size, value in zip(mine["findings"], mine["seconds"].round(2), strict=True)},
                "all": np.polyfit(n, seconds, 1)[0],
                "last two": (seconds[-1] - seconds[-2]) / (n[-1] - n[-2]),
                "n log n": (of_n_log_n[-1] - of_n_log_n[-2]) / (n[-1] - n[-2]),
            }
        )
    return pd.DataFrame(rows)


def drawn(points: pd.DataFrame) -> go.Figure:
    look = palette.LIGHT
    figure = go.Figure()
    for at, name in enumerate(STEPS):
        mine = points[(points["step"] == name) & points["seconds"].notna()].sort_values("findings")
        if mine.empty:
            continue
        n, seconds = mine["findings"].to_numpy(float), mine["seconds"].to_numpy(float)
        line = seconds[0] * n * np.log(n) / (n[0] * np.log(n[0]))
        colour = look.ten[at]
        mark = {"color": colour, "symbol": palette.SYMBOLS[at], "size": 10}
        figure.add_scatter(x=n, y=seconds, name=name, mode="lines+markers", marker=mark, line={"color": colour})
        figure.add_scatter(
            x=n, y=line, mode="lines", showlegend=False, line={"color": colour, "dash": "dot", "width": 1}
        )
    palette.finish(figure, look, x="findings", y="processor (s); dotted: n log n", height=640)
    figure.update_xaxes(type="log", dtick=1)
    figure.update_yaxes(type="log", dtick=1)
    figure.update_layout(paper_bgcolor=look.page, plot_bgcolor=look.page)
    return figure


def main(folder: Path, sizes: list[int]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    points = measure(folder, sizes)
    drawn(points).write_html(folder / "growth.html")
    print(exponents(points).round(2).to_string(index=False))


if __name__ == "__main__":
    if sys.argv[1] == "write":
        write(Path(sys.argv[2]), int(sys.argv[3]))
    elif sys.argv[1] == "load":
        load(Path(sys.argv[2]))
    elif sys.argv[1] in STEPS:
        step(sys.argv[1], Path(sys.argv[2]))
    else:
        main(Path(sys.argv[1]), [int(size) for size in sys.argv[2:]] or [10_000, 100_000, 1_000_000])
