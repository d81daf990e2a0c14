"""What a complaint says of the cause: Bayes' rule by hand, and a booked unit whose driver hears something."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.blame import blamed, complaint_ratios
from rebuildstats.fits.complaints import complaint_causes
from tests.demand.test_forecast import forecast, known, plain


def causes() -> pd.DataFrame:
    # 30 teardowns: the seal leaks 18 times of 20, the gear is heard 9 times of 10
    cells = [("leak", "seal", 18.0), ("leak", "gear", 1.0), ("noise", "seal", 2.0), ("noise", "gear", 9.0)]
    rows = pd.DataFrame(cells, columns=["complaint", "component", "count"]).assign(family="F")
    return rows.assign(mileage_from=0.0, mileage_to=np.inf)


def test_the_factor_is_the_chance_of_the_complaint_given_the_cause_over_its_chance_at_all() -> None:
    ratios = complaint_ratios(causes())
    # leak: 19 of 30; given the seal (18 + 2 x 19/30) / (20 + 2)
    usual = 19 / 30
    assert ratios["F", "leak"]["seal"] == pytest.approx((18 + 2 * usual) / 22 / usual)
    assert ratios["F", "leak"]["gear"] == pytest.approx((1 + 2 * usual) / 12 / usual)
    assert ratios["F", "noise"]["gear"] > 2.0
    # over all complaints the factors average to 1 for each cause
    for cause, n in (("seal", 20), ("gear", 10)):
        mean = sum(ratios["F", c][cause] * {"leak": 19, "noise": 11}[c] / 30 for c in ("leak", "noise"))
        assert mean == pytest.approx(1.0), n


def test_only_a_booked_unit_with_a_complaint_heard_before_is_moved() -> None:
    base = next(iter(plain().bases.values()))
    units = list(base.fleet.units)
    planned = pd.DataFrame({"unit": [units[1], units[2], None], "complaint": ["  Leak", "smell", "leak"]})
    factors = blamed({(base.fleet.family, "leak"): {"seal": 1.4}}, planned, base.fleet)
    assert set(factors) == {"seal"}
    assert factors["seal"][1] == 1.4
    assert np.delete(factors["seal"], 1).tolist() == [1.0] * (len(units) - 1)


def test_a_booked_job_with_a_complaint_asks_for_the_parts_of_its_usual_causes() -> None:
    history, records, *_ = known()
    table = complaint_causes(records.outcomes, records.teardowns)
    ratios = complaint_ratios(table)
    (family, complaint), factors = max(ratios.items(), key=lambda item: max(item[1].values()))
    named = max((c for c in factors if c), key=lambda c: factors[c])
    base = plain().bases[family]
    assert base.model.components[named].in_service
    unit = base.fleet.units[0]
    due = pd.Timestamp(history.as_of) + pd.Timedelta(days=20)
    found = {}
    for heard in (None, complaint):
        row = {"plan": ["P"], "due_on": [due], "unit": [unit], "family": [None], "count": [1], "reason": ["failure"],
               "complaint": [heard]}  # fmt: skip
        booked = forecast(planned=pd.DataFrame(row).astype(history.planned.dtypes.to_dict()))
        found[heard] = booked.bases[family].replaced.failure[named][0, 1]
    assert found[complaint] > 1.02 * found[None]
