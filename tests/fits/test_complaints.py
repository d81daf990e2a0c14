"""Complaint to cause, with counts, by mileage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.complaints import PRIOR, causes_of, complaint_causes


def _records(rows):
    """rows: (job, complaint, age, cause or None, role)."""
    teardowns = pd.DataFrame(
        {"job": [r[0] for r in rows], "family": "F", "complaint": [r[1] for r in rows], "age": [r[2] for r in rows]}
    )
    found = [r for r in rows if r[3]]
    outcomes = pd.DataFrame(
        {
            "job": [r[0] for r in found],
            "component": [r[3] for r in found],
            "role": [r[4] for r in found],
            "verdict": "fail",
            "reason": "failure",
        }
    )
    return outcomes, teardowns


def test_shares_by_hand():
    rows = [
        ("1", "Whine", 4e4, "bearing", "cause"),
        ("2", "whine ", 5e4, "bearing", "cause"),
        ("3", "whine", 9e4, "gear", "cause"),
        ("4", "leak", 9e4, "seal", None),
    ]
    table = complaint_causes(*_records(rows))
    found = causes_of(table, "F", "WHINE")
    assert list(found["component"][:2]) == ["bearing", "gear"]
    assert list(found["count"][:2]) == [2, 1]
    assert (found["teardowns"] == 3).all()
    # prior of the family: bearing 2.5, gear 1.5, seal 1.5 of 5.5
    assert found["share"][0] == pytest.approx((2 + PRIOR * 2.5 / 5.5) / (3 + PRIOR))
    assert found["share"].sum() == pytest.approx(1)
    assert (found["share_lower"] < found["share"]).all()
    assert (found["share"] < found["share_upper"]).all()


def test_by_mileage():
    rows = [(str(i), "whine", 1e4 + i, "seal", "cause") for i in range(8)]
    rows += [(str(i), "whine", 9e4 + i, "gear", "cause") for i in range(8, 16)]
    table = complaint_causes(*_records(rows))
    assert causes_of(table, "F", "whine", 12_000)["component"][0] == "seal"
    assert causes_of(table, "F", "whine", 95_000)["component"][0] == "gear"
    assert causes_of(table, "F", "whine", 95_000)["teardowns"][0] == 8


def test_no_cause_found_is_an_answer():
    rows = [("1", "whine", 4e4, None, None), ("2", "whine", 5e4, "gear", "consequence")]
    table = complaint_causes(*_records(rows))
    assert causes_of(table, "F", "whine")["component"].tolist() == [""]
    assert causes_of(table, "F", "whine")["count"][0] == 2


def test_causes_share_a_job():
    rows = [("1", "whine", np.nan, "gear", "cause"), ("2", "leak", np.nan, "seal", "cause")]
    outcomes, teardowns = _records(rows)
    outcomes = pd.concat([outcomes, outcomes.iloc[[0]].assign(component="shaft")])
    found = causes_of(complaint_causes(outcomes, teardowns), "F", "whine").set_index("component")
    assert found.loc["gear", "count"] == found.loc["shaft", "count"] == 0.5


def test_nothing_heard():
    outcomes, teardowns = _records([("1", None, 4e4, "gear", "cause")])
    assert complaint_causes(outcomes, teardowns).empty
