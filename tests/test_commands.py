"""The public functions: what they give back, and that they refuse what can't be before they read the store."""

from __future__ import annotations

import datetime as dt
import math
import shutil

import pandas as pd
import pytest

import rebuildstats
from rebuildstats.answers import Answer
from rebuildstats.errors import InputError, NothingToComputeError, StoreError, UsageError


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Two units of one family, one torn down twice: small enough to know every number by heart. Fitted once."""
    tables = {
        "units": (
            "unit,family,origin,first_seen_on,first_seen_mileage\nU1,F1,new,2022-01-01,0\nU2,F1,new,2022-01-01,0\n"
        ),
        "vehicles": "vehicle,site,duty\nV1,north,road\n",
        "fitments": "unit,vehicle,fitted_on\nU1,V1,2022-01-01\n",
        "components": "family,component,name,renewal,shows\nF1,seal,oil seal,always,in_service\nF1,ring,,,\n",
        "points": "family,point,component,method,low_limit,caution\nF1,gap,ring,gauge,4,Spring under load\n",
        "teardowns": (
            "job,unit,opened_on,unit_mileage,complaint\nJ1,U1,2023-01-01,50000,leaks\nJ2,U1,2024-01-01,120000,slips\n"
        ),
        "findings": (
            "job,component,point,reading,verdict,action,role\nJ1,seal,,,fail,replace,cause\n"
            "J1,ring,gap,5,ok,reuse,\nJ2,seal,,,ok,replace,\nJ2,ring,gap,3.5,fail,replace,cause\n"
        ),
    }
    folder = tmp_path_factory.mktemp("tables")
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    path = folder / "history.duckdb"
    rebuildstats.init(path, distance="mi")
    assert not rebuildstats.load(path, [folder]).rows_left
    rebuildstats.fit(path)
    return path


@pytest.fixture
def store(made, tmp_path):
    """A copy of it for one test."""
    return shutil.copyfile(made, tmp_path / "history.duckdb")


def test_every_answer_has_a_frame(store):
    for answer in (
        rebuildstats.lives(store),
        rebuildstats.life(store),
        rebuildstats.wear(store, "F1", mileage=10_000),
        rebuildstats.inspections(store),
        rebuildstats.gaps(store),
        rebuildstats.fit(store),
    ):
        assert isinstance(answer, Answer)
        assert isinstance(answer.frame(), pd.DataFrame)


def test_lives_are_those_of_the_rules(store):
    rows = rebuildstats.lives(store).frame()
    seal = rows[rows["component"] == "seal"].sort_values(["unit", "number"])
    mine = seal[seal["unit"] == "U1"]
    # the seal failed at 50,000 (exact), was renewed good at 120,000 and runs on
    assert list(mine["lower_age"]) == [50_000, 70_000]
    assert mine["upper_age"].iloc[0] == 50_000
    assert math.isnan(mine["upper_age"].iloc[1])
    ring = rows[(rows["component"] == "ring") & (rows["unit"] == "U1")]
    # role cause: exact at 120,000; the new ring has not been looked at since
    assert list(zip(ring["lower_age"], ring["upper_age"], strict=True)) == [(120_000, 120_000)]


def test_lives_of_units(store):
    rows = rebuildstats.lives(store, units=True).frame()
    mine = rows[rows["unit"] == "U1"].sort_values("number")
    assert list(mine["lower_age"])[:2] == [50_000, 70_000]
    assert set(rows["family"]) == {"F1"}


def test_as_of_looks_at_the_history_as_it_was(store):
    then = rebuildstats.lives(store, as_of=dt.date(2023, 6, 1)).frame()
    assert "J2" not in set(then["closed_by"].dropna()) | set(then["opened_by"].dropna())
    assert "J2" in set(rebuildstats.lives(store).frame()["closed_by"].dropna())


def test_cautions_first_and_the_maker_last(store):
    answer = rebuildstats.wear(store, "F1", mileage=100_000)
    assert answer.first == ("CAUTION: Spring under load (ring: gap)",)
    assert "the maker's limit" in answer.last[-1]


def test_a_unit_stands_at_its_own_ages(store):
    whole = rebuildstats.wear(store, "F1", mileage=120_000).frame()
    own = rebuildstats.wear(store, "F1", mileage=0, unit="U1").frame()
    assert set(whole["component"]) == set(own["component"]) == {"seal", "ring"}


def test_an_unknown_complaint_is_said(store):
    answer = rebuildstats.wear(store, "F1", mileage=1, complaint="sings")
    assert any("sings" in note for note in answer.notes)


def test_wrong_arguments_are_refused_before_the_store_is_read(tmp_path):
    missing = tmp_path / "no store"
    for call in (
        lambda: rebuildstats.init(missing, distance="furlong"),
        lambda: rebuildstats.wear(missing, "F1", mileage=-1),
        lambda: rebuildstats.wear(missing, "F1", mileage=math.nan),
        lambda: rebuildstats.inspections(missing, mileage=math.inf),
        lambda: rebuildstats.forecast(missing, months=0),
        lambda: rebuildstats.order(missing, job_fill=2),
        lambda: rebuildstats.order(missing, part_fill=0.9, budget=10),
        lambda: rebuildstats.sheet(missing, out=tmp_path / "x.html"),
        lambda: rebuildstats.sheet(missing, unit="U1", family="F1", out=tmp_path / "x.html"),
        lambda: rebuildstats.sheet(missing, family="F1", out=tmp_path / "x.html"),
        lambda: rebuildstats.sheet(missing, unit="U1", out=tmp_path / "x.doc"),
    ):
        with pytest.raises(UsageError):
            call()
    assert not missing.exists()


def test_a_missing_store_and_a_missing_file(store, tmp_path):
    with pytest.raises(StoreError, match="no store"):
        rebuildstats.life(tmp_path / "missing")
    with pytest.raises(InputError):
        rebuildstats.load(store, [tmp_path / "missing.csv"])


def test_names_that_do_not_exist(store, tmp_path):
    with pytest.raises(UsageError, match="`F1`"):
        rebuildstats.life(store, "F")
    with pytest.raises(UsageError, match="`U1`"):
        rebuildstats.sheet(store, unit="U-1", out=tmp_path / "x.html")
    with pytest.raises(UsageError, match="no unit `U9`"):
        rebuildstats.wear(store, "F1", mileage=1, unit="U9")


def test_a_forecast_without_parts_says_what_to_load(store):
    with pytest.raises(NothingToComputeError, match="part_uses"):
        rebuildstats.forecast(store)


def test_a_sheet_that_cannot_be_written(store, tmp_path):
    with pytest.raises(UsageError, match="can't be written"):
        rebuildstats.sheet(store, unit="U1", out=tmp_path / "no folder" / "x.html")


def test_a_unit_of_unknown_mileage_still_gets_its_sheet(tmp_path):
    folder = tmp_path / "t"
    folder.mkdir()
    (folder / "units.csv").write_text("unit,family\nU1,F1\n", encoding="utf-8")
    (folder / "components.csv").write_text("family,component\nF1,ring\n", encoding="utf-8")
    (folder / "teardowns.csv").write_text("job,unit,opened_on\nJ1,U1,2024-01-01\n", encoding="utf-8")
    rebuildstats.init(tmp_path / "s", distance="mi")
    rebuildstats.load(tmp_path / "s", [folder])
    rebuildstats.sheet(tmp_path / "s", unit="U1", out=tmp_path / "x.html")
    page = (tmp_path / "x.html").read_text(encoding="utf-8")
    assert "ring" in page
    assert "unknown" in page


def test_a_sheet_in_other_letters(store, tmp_path, monkeypatch):
    (tmp_path / "points.csv").write_text(
        "family,point,component,caution\nF1,gap,ring,Осторожно: пружина\n", encoding="utf-8"
    )
    rebuildstats.load(store, [tmp_path / "points.csv"])
    rebuildstats.sheet(store, unit="U1", out=tmp_path / "x.html")
    assert "Осторожно" in (tmp_path / "x.html").read_text(encoding="utf-8")
    monkeypatch.setattr("rebuildstats.places.find_font", lambda: None)
    with pytest.raises(UsageError, match=r"\.html"):
        rebuildstats.sheet(store, unit="U1", out=tmp_path / "x.pdf")
    assert not (tmp_path / "x.pdf").exists()


def test_life_says_which_make_lasts_longer(tmp_path):
    # sixteen units: make A fails after 30,000 to 44,000, make B after 90,000 to 104,000, at twice the price
    made = ["A", "B"] * 8
    first = [f"J{i}a,U{i},2022-01-01,50000" for i in range(16)]
    again = [
        f"J{i}b,U{i},2024-01-01,{50_000 + (30_000 if m == 'A' else 90_000) + 1000 * i}" for i, m in enumerate(made)
    ]
    fitted = [f"J{i}a,ring,fail,replace,cause,{m}" for i, m in enumerate(made)]
    failed = [f"J{i}b,ring,fail,replace,cause,{m}" for i, m in enumerate(made)]
    tables = {
        "units": [
            "unit,family,origin,first_seen_on,first_seen_mileage",
            *(f"U{i},F,new,2020-01-01,0" for i in range(16)),
        ],
        "components": ["family,component,shows", "F,ring,in_service"],
        "parts": ["part,unit_cost", "A,100", "B,200"],
        "part_uses": ["family,component,part", "F,ring,A", "F,ring,B"],
        "teardowns": ["job,unit,opened_on,unit_mileage", *first, *again],
        "findings": ["job,component,verdict,action,role,part", *fitted, *failed],
    }
    for name, lines in tables.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    path = tmp_path / "history.duckdb"
    rebuildstats.init(path, distance="mi")
    assert not rebuildstats.load(path, [tmp_path]).rows_left
    told = rebuildstats.life(path).notes
    (line,) = (note for note in told if "times its life" in note)
    assert "B lasts longer than A" in line or "A lasts less long than B" in line
    assert "from 8 failures in" in line
    assert "per 10,000 mi" in line
