"""Every gap planted once in one messy history, and none reported in a sound one."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rebuildstats.history import gaps, store
from rebuildstats.history.gaps import COLUMNS, GAPS, find_gaps
from tests.history.conftest import GOOD, Shop

SOUND = GOOD | {
    "vehicles": "vehicle,site,duty\nV1,north,city\nV2,north,city\n",
    "fitments": "unit,vehicle,fitted_on,fitted_odometer\nA1,V1,2024-01-01,0\nA2,V2,2024-01-01,0\n",
    "odometers": "vehicle,read_on,odometer\nV1,2024-01-01,0\nV1,2024-06-30,9000\nV2,2024-01-01,0\nV2,2024-06-30,9000\n",
    "units": "unit,family,origin,first_seen_mileage\nA1,axle,new,0\nA2,axle,used,100\n",
    "components": "family,component,positions,renewal\naxle,bearing,2,\naxle,seal,,always\n",
    "points": "family,point,component,method,high_limit\naxle,play,bearing,gauge,0.3\n",
    "parts": "part,name,unit_cost,lead_time_days\n0071,bearing,9,7\n0072,seal,2,7\n",
    "part_uses": "family,component,part\naxle,bearing,0071\naxle,seal,0072\n",
    "stock": "part,site,on_hand\n0071,north,1\n0072,north,1\n",
    "orders": "order,part,ordered_on,quantity\nB1,0071,2024-01-01,2\n",
    "teardowns": "job,unit,opened_on,unit_mileage,reason,labour_hours,outside_cost,closed_on\n"
    "J1,A1,2024-01-10,50000,failure,5,0,2024-01-12\nJ2,A1,2024-06-10,90000,scheduled,5,0,2024-06-12\n",
    "findings": "job,component,point,position,reading,verdict,action,role,part\n"
    "J1,bearing,play,1,0.4,fail,replace,cause,0071\nJ1,seal,,1,,,replace,,0072\n"
    "J2,bearing,play,1,0.1,ok,reuse,,\nJ2,seal,,1,,,replace,,0072\n",
    "issued_parts": "issued_on,part,quantity,job,slip\n2024-01-11,0071,1,J1,1\n2024-01-11,0072,1,J1,2\n"
    "2024-06-11,0072,1,J2,3\n",
}
# What is added to the sound history to plant each gap, and the example that must be shown.
FAULTS = {
    "rejected_rows": ({"sites": "site,served_by\n,north\n"}, "sites: 1 rows, mostly missing_value"),
    "look_alikes": ({"units": "unit,family,origin\nAO-l,axle,\nA0 1,axle,\n"}, "unit A0 1 and AO-l"),
    "words_drift": ({"vehicles": "vehicle,duty\nV3,City\n"}, "duty: 'city' (2), 'City' (1)"),
    "odometers_run_back": (
        {
            "fitments": "unit,vehicle,fitted_on,fitted_odometer,removed_on,removed_odometer\n"
            "A1,V2,2023-01-01,500,2023-02-01,400\n"
        },
        "A1 in V2: 500 at fitting, 400 at removal",
    ),
    "odometer_leaps": (
        {"odometers": "vehicle,read_on,odometer\nV1,2024-07-01,90000\n"},
        "V1: 9000 on 2024-06-30, 90000 on 2024-07-01",
    ),
    "mileage_leaps": (
        {"teardowns": "job,unit,opened_on,unit_mileage\nJ3,A1,2024-06-12,900000\n"},
        "A1: 90000 on 2024-06-10, 900000 on 2024-06-12 (J3)",
    ),
    "dates_run_back": (
        {"orders": "order,part,ordered_on,received_on\nB2,0071,2024-02-01,2024-01-02\n"},
        "order B2: ordered 2024-02-01, received 2024-01-02",
    ),
    "dates_far_off": (
        {"issued_parts": "issued_on,part,quantity\n0024-02-01,0071,1\n"},
        "part 0071 issued on 0024-02-01",
    ),
    "teardown_twice": (
        {"teardowns": "job,unit,opened_on,unit_mileage\nJ3,A1,2024-06-10,90000\n"},
        "J2 and J3: unit A1 on 2024-06-10",
    ),
    "name_not_listed": (
        {"findings": "job,component,position,action,part\nJ2,bearing,2,replace,0O71\n"},
        "part 0O71: replaced in J2",
    ),
    "mileage_below_first": (
        {"units": "unit,family,first_seen_mileage\nA1,axle,60000\n"},
        "J1: unit A1 at 50000, 60000 when first seen",
    ),
    "fitments_overlap": (
        {"fitments": "unit,vehicle,fitted_on\nA1,V2,2024-03-01\n"},
        "A1: in V1 from 2024-01-01, in V2 from 2024-03-01",
    ),
    "teardown_without_mileage": (
        {"units": "unit,family\nA3,axle\n", "teardowns": "job,unit,opened_on\nJ3,A3,2024-05-01\n"},
        "J3 (unit A3)",
    ),
    "unit_without_first_mileage": ({"units": "unit,family,origin\nA3,axle,used\n"}, "A3"),
    "unit_without_vehicle": ({"units": "unit,family\nA3,axle\n"}, "A3"),
    "vehicle_without_odometer": (
        {
            "vehicles": "vehicle\nV3\n",
            "fitments": "unit,vehicle,fitted_on,removed_on\nA1,V1,2024-01-01,2024-02-01\nA1,V3,2024-02-02,\n",
        },
        "V3: never read",
    ),
    "family_without_components": ({"units": "unit,family\nG1,gearbox\n"}, "gearbox: 1 units"),
    "family_without_points": ({"units": "unit,family\nG1,gearbox\n"}, "gearbox: 1 units"),
    "teardown_without_findings": (
        {"teardowns": "job,unit,opened_on,closed_on,unit_mileage\nJ3,A2,2024-06-12,2024-06-13,900\n"},
        "J3 (2024-06-12)",
    ),
    "finding_says_nothing": ({"findings": "job,component,position\nJ1,bearing,2\n"}, "J1 bearing"),
    "always_not_recorded": (
        {
            "teardowns": "job,unit,opened_on,closed_on\nJ3,A2,2024-06-12,2024-06-13\n",
            "findings": "job,component,verdict\nJ3,bearing,ok\n",
        },
        "J3 seal",
    ),
    "fail_without_replacement": ({"findings": "job,component,position,verdict\nJ2,bearing,2,fail\n"}, "J2 bearing 2"),
    "failure_without_cause": (
        {
            "teardowns": "job,unit,opened_on,closed_on,reason,complaint\nJ3,A2,2024-06-12,2024-06-13,failure,noise\n",
            "findings": "job,component,verdict\nJ3,seal,ok\n",
        },
        "J3 (noise)",
    ),
    "verdict_against_limits": (
        {
            "findings": "job,component,point,position,reading,verdict\nJ2,bearing,play,2,0.31,ok\n"
            "J1,bearing,play,2,0.3,fail\n"
        },
        "J2 play: reading 0.31, limits - to 0.3, verdict ok",
    ),
    "reading_far_off": (
        {
            "components": "family,component,positions\naxle,bearing,9\n",
            "findings": "job,component,point,position,reading\n"
            + "".join(f"J1,bearing,play,{i},0.2\n" for i in range(2, 9))
            + "J1,bearing,play,9,200\n",
        },
        "J1 play: 200.0 (usually 0.2)",
    ),
    "gauge_without_limit": ({"points": "family,point,component,method\naxle,run,bearing,gauge\n"}, "axle run"),
    "point_of_another_component": (
        {"findings": "job,component,point\nJ2,seal,play\n"},
        "axle play: belongs to bearing, recorded at seal",
    ),
    "component_without_part": ({"components": "family,component\naxle,gear\n"}, "axle gear"),
    "shares_not_one": (
        {"part_uses": "family,component,part,choice,share\naxle,bearing,0071,grade,0.7\naxle,bearing,0072,grade,0.7\n"},
        "axle bearing grade: 1.4",
    ),
    "issued_without_finding": ({"issued_parts": "issued_on,part,quantity,job\n2024-06-11,0071,1,J2\n"}, "J2 0071"),
    "replaced_without_issue": (
        {"findings": "job,component,position,verdict,action,part\nJ2,bearing,2,fail,replace,0071\n"},
        "J2 0071",
    ),
    "part_without_lead_time": ({"parts": "part,unit_cost\n0071,9\n"}, "0071"),
    "part_without_cost": ({"parts": "part,lead_time_days\n0072,9\n"}, "0072"),
    "part_without_stock": (
        {"parts": "part\n0073\n", "part_uses": "family,component,part\naxle,bearing,0073\n"},
        "0073",
    ),
    "job_without_labour": (
        {"teardowns": "job,unit,opened_on,closed_on,outside_cost\nJ3,A2,2024-06-12,2024-06-13,5\n"},
        "J3",
    ),
    "job_without_cost": (
        {"teardowns": "job,unit,opened_on,closed_on,labour_hours\nJ3,A2,2024-06-12,2024-06-13,5\n"},
        "J3",
    ),
    "waiting_not_dated": (
        {"teardowns": "job,unit,opened_on,waiting_for\nJ3,A2,2024-06-12,0071\n"},
        "J3 0071",
    ),
}


def gaps_of(path: Path) -> pd.DataFrame:
    with store.reading(path) as con:
        return find_gaps(con).set_index("gap")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    shop = Shop(tmp_path_factory.mktemp("sound"))
    report = shop.load(**SOUND)
    assert report.complete, report.rejects
    return shop.path


def test_a_sound_history_has_no_gaps(sound: Path) -> None:
    assert gaps_of(sound).index.tolist() == []


@pytest.mark.parametrize("file", [gap.file for gap in GAPS if gap.file != "table_empty"])
def test_each_gap_is_found_with_its_example(
    sound: Path, tmp_path: Path, file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = Shop(tmp_path, sound)
    more, example = FAULTS[file]
    shop.load(**more)
    says = next(gap.says for gap in GAPS if gap.file == file)
    monkeypatch.setattr(gaps, "GAPS", [gap for gap in GAPS if gap.file == file])  # the others cost time only
    found = gaps_of(shop.path)
    assert says in found.index
    assert example in found.loc[says, "examples"]
    assert found.loc[says, "count"] == 1


def test_what_a_job_still_open_lacks_is_no_gap_yet(sound: Path, tmp_path: Path) -> None:
    shop = Shop(tmp_path, sound)
    shop.load(
        teardowns="job,unit,opened_on,unit_mileage,reason\nJ3,A1,2024-06-28,91000,failure\n",
        findings="job,component,verdict,action,part\nJ3,bearing,fail,replace,0071\n",
    )
    assert gaps_of(shop.path).index.tolist() == []


def test_empty_tables_are_a_gap(shop: Shop) -> None:
    found = gaps_of(shop.path).loc["tables without a row"]
    assert found["count"] == 7
    assert found["examples"] == "findings; fitments; odometers"


def test_the_frame_has_its_columns_and_words(sound: Path, tmp_path: Path) -> None:
    shop = Shop(tmp_path, sound)
    with store.reading(shop.path) as con:
        frame = find_gaps(con)
    assert tuple(frame.columns) == COLUMNS
    assert frame.dtypes.astype(str).tolist() == ["str", "int64", "str", "str", "str"]
    assert len({gap.says for gap in GAPS}) == len(GAPS)
    assert {p.stem for p in (Path(store.__file__).parent / "sql" / "gaps").glob("*.sql")} == {g.file for g in GAPS}


FITTED = "unit,vehicle,fitted_on,fitted_odometer\n"
OPENED = "job,unit,opened_on,vehicle,odometer\n"
READ = "vehicle,read_on,odometer\n"


@pytest.mark.parametrize(
    ("more", "examples"),
    [
        (  # one against one: nothing says which
            {"teardowns": OPENED + "J3,A2,2024-02-01,V9,50000\nJ4,A2,2024-05-01,V9,40000\n"},
            ["V9: 50000 in job J3 on 2024-02-01 or 40000 in job J4 on 2024-05-01, one of the two"],
        ),
        (  # one too high against all after it
            {"fitments": FITTED + "A2,V1,2023-12-30,800000\n"},
            [
                "V1: 800000 at fitting of A2 on 2023-12-30, against 3 others such as 0 at fitting of A1 on 2024-01-01",
            ],
        ),
        (  # one too low, although it is the later: both before it are right
            {
                "odometers": READ + "V9,2024-01-01,50000\nV9,2024-02-01,52000\nV9,2024-06-01,60000\n",
                "fitments": FITTED + "A2,V9,2024-05-01,5300\n",
            },
            ["V9: 5300 at fitting of A2 on 2024-05-01, against 2 others such as 50000 when read on 2024-01-01"],
        ),
        (  # apart by what sources guess
            {"teardowns": OPENED + "J3,A2,2024-02-01,V9,50000\nJ4,A2,2024-05-01,V9,49400\n"},
            [],
        ),
        (  # another instrument since
            {
                "odometers": "vehicle,read_on,odometer,meter\nV9,2024-01-01,50000,1\nV9,2024-02-01,10,2\n",
                "fitments": FITTED + "A2,V9,2024-02-02,20\n",
            },
            [],
        ),
    ],
)
def test_of_odometers_that_contradict_each_other_the_one_at_fault_is_told_or_both(
    sound: Path, tmp_path: Path, more: dict[str, str], examples: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = Shop(tmp_path, sound)
    shop.load(vehicles="vehicle\nV9\n", **more)
    monkeypatch.setattr(gaps, "GAPS", [gap for gap in GAPS if gap.file == "odometers_run_back"])
    found = gaps_of(shop.path)
    assert found["examples"].tolist() == ["; ".join(examples)] * bool(examples)
    assert found["count"].tolist() == [len(examples)] * bool(examples)
