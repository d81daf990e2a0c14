"""A stored teardown opened again: what it says, who wrote it, and what it said before."""

from __future__ import annotations

from datetime import UTC, datetime

import pandas as pd
import pytest

from rebuildstats.errors import UsageError
from rebuildstats.history import corrections
from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from rebuildstats.history.past import stored_job

SHEETS = {
    "units": "unit,family\nP-1,pump\n",
    "components": "family,component\npump,rotor\npump,seal\n",
    "teardowns": "job,unit,opened_on,unit_mileage,bench\nJ1,P-1,2025-03-01,80000,b2\n",
    "findings": "job,component,verdict,reading,action\nJ1,rotor,ok,0.2,reuse\nJ1,seal,ok,,reuse\n",
}


@pytest.fixture
def path(tmp_path):
    for name, text in SHEETS.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    path = tmp_path / "s.duckdb"
    stores.create(path, "mi")
    load_files(path, [tmp_path / f"{name}.csv" for name in SHEETS])
    return path


def test_a_job_opens_as_it_was_stored(path):
    job = stored_job(path, "J1")
    assert job.teardown["unit"] == "P-1"
    assert job.teardown["bench"] == "b2"
    assert job.teardown["complaint"] is None
    assert list(job.findings["component"]) == ["rotor", "seal"]
    assert job.changes.empty


def test_who_changed_what_and_when(path):
    job = stored_job(path, "J1")
    findings = job.findings[job.findings["component"] == "rotor"].to_dict("records")
    findings[0] |= {"verdict": "fail", "reading": 0.45}
    at = datetime(2026, 1, 5, 9, tzinfo=UTC)
    report = corrections.store_teardown(path, job.teardown | {"unit_mileage": 81_000}, findings, "ann", now=at)
    assert report.load is not None
    again = stored_job(path, "J1")
    assert again.written_by == "ann"
    told = {(r["component"], r["column"]): (r["before"], r["after"]) for r in again.changes.to_dict("records")}
    assert told["rotor", "verdict"] == ("ok", "fail")
    assert told["rotor", "reading"] == ("0.2", "0.45")
    was, is_now = told["seal", "the whole row"]
    assert was == "verdict ok, action reuse"
    assert pd.isna(is_now)
    assert ("80000", "81000") in told.values()
    assert set(again.changes["who"]) == {"ann"}
    assert again.teardown["bench"] == "b2"


def test_a_job_that_is_not_there(path):
    with pytest.raises(UsageError, match="no teardown with job J9"):
        stored_job(path, "J9")
