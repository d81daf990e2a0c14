"""Which failure ruins which neighbours."""

from __future__ import annotations

import pandas as pd
import pytest

from rebuildstats.fits.knock_on import knock_on


def _outcomes(rows):
    return pd.DataFrame(rows, columns=["job", "component", "position", "verdict", "role"]).assign(family="F")


ROWS = [
    ("1", "bearing", 1, "fail", "cause"),
    ("1", "gear", 1, "fail", "consequence"),
    ("1", "gear", 2, "fail", "consequence"),
    ("2", "bearing", 1, "fail", "cause"),
    ("2", "gear", 1, "ok", None),
    ("3", "seal", 1, "fail", None),
    ("3", "gear", 1, "fail", "consequence"),
    ("4", "seal", 1, "ok", None),
]


def test_shares_and_cost_by_hand():
    uses = pd.DataFrame(
        {
            "family": "F",
            "component": ["gear", "gear"],
            "part": ["G", "pin"],
            "quantity": [1.0, 2.0],
            "choice": None,
            "share": None,
        }
    )
    parts = pd.DataFrame({"part": ["G", "pin"], "unit_cost": [100.0, 5.0]})
    table = knock_on(_outcomes(ROWS), uses, parts).set_index("cause")
    row = table.loc["bearing"]
    assert (row["damaged"], row["failures"], row["with_damage"], row["pieces"]) == ("gear", 2, 1, 2)
    assert row["share"] == 0.5
    assert row["share_lower"] < 0.5 < row["share_upper"]
    assert row["base_share"] == 0.5  # of the two jobs without a failed bearing one had a ruined gear
    assert (row["cost_each"], row["cost_all"]) == (110, 220)
    # no named cause: what failed and is no consequence stands for it
    assert table.loc["seal", "failures"] == 1
    assert table.index[0] == "bearing"  # the dearest first


def test_alternatives_cost_by_share():
    uses = pd.DataFrame(
        {
            "family": "F",
            "component": "gear",
            "part": ["A", "B"],
            "quantity": 1.0,
            "choice": "grade",
            "share": [0.25, 0.75],
        }
    )
    parts = pd.DataFrame({"part": ["A", "B"], "unit_cost": [100.0, 20.0]})
    assert knock_on(_outcomes(ROWS), uses, parts)["cost_each"][0] == pytest.approx(40)


def test_without_prices_or_damage():
    assert knock_on(_outcomes(ROWS))["cost_all"].isna().all()
    assert knock_on(_outcomes(ROWS[3:5])).empty
