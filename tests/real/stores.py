"""Tables as CSV files through the real load into a store, and back out as known on a day."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files

Frames = dict[str, pd.DataFrame]
LEVELS = np.array([0.05, 0.25, 0.5, 0.75, 0.95])


def loaded(frames: Frames, folder: Path, distance: str) -> Path:
    """A store that holds the frames, brought in as a folder of CSV files; every row must have gone in."""
    files = folder / "tables"
    files.mkdir(parents=True)
    for name, frame in frames.items():
        frame.to_csv(files / f"{name}.csv", index=False)
    path = folder / "real.duckdb"
    stores.create(path, distance)
    counts = load_files(path, [files]).counts
    assert (counts["new"] == counts["read"]).all(), counts.to_string()
    return path


def pinball(pmf: np.ndarray, actual: float) -> float:
    """Mean pinball loss of a distribution over the counts 0, 1, 2, ... at 5 quantiles."""
    quantile = np.searchsorted(np.cumsum(pmf), LEVELS - 1e-12)
    return float(np.mean(np.maximum(LEVELS * (actual - quantile), (LEVELS - 1) * (actual - quantile))))
