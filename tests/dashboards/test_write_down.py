"""Writing down a teardown: a verdict is proposed and never forced, a draft outlives its session, storing is undone."""

from __future__ import annotations

import shutil

import pytest

from rebuildstats import commands
from rebuildstats.history import store as stores
from rebuildstats.history.corrections import store_teardown
from rebuildstats.history.load import load_files
from rebuildstats.history.past import stored_job
from rebuildstats.kept_answers.job import work_out
from rebuildstats.kept_answers.shelf import ENDING
from tests.dashboards.conftest import said

SHEETS = {
    "units": "unit,family,origin,first_seen_on\nP-1,pump,new,2024-01-01\nP-2,pump,new,2024-01-01\n",
    "components": (
        "family,component,name,positions,safety\n"
        "pump,rotor,rotor,1,false\npump,brake,park brake,1,true\npump,seal,,2,\n"
    ),
    "points": (
        "family,point,component,method,reading_unit,as_new,low_limit,high_limit,caution\n"
        "pump,gap,rotor,gauge,mm,0.1,,0.3,Lift with a sling.\npump,lining,brake,gauge,mm,5,3,,\n"
    ),
    "parts": "part,name\nR-9,rotor\n",
    "part_uses": "family,component,part,quantity\npump,rotor,R-9,1\n",
    "teardowns": "job,unit,opened_on,unit_mileage,reason\nJ1,P-1,2025-03-01,80000,failure\n",
    "findings": "job,component,point,verdict,reading,action\nJ1,rotor,gap,ok,0.2,reuse\n",
}


@pytest.fixture(scope="session")
def first_store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("form")
    for name, text in SHEETS.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    path = folder / "form.duckdb"
    stores.create(path, "mi")
    assert load_files(path, [folder / f"{name}.csv" for name in SHEETS]).complete
    work_out(path, [("history", {})])
    return path


@pytest.fixture
def shop(first_store, tmp_path):
    """A copy of the first store, its history ready beside it."""
    own = shutil.copy(first_store, tmp_path / "form.duckdb")
    shutil.copytree(beside(first_store), beside(own))
    return own


def beside(store):
    return store.with_name(store.name + ENDING)


def verdicts(app):
    """The verdict buttons in the order of the page."""
    return [g for g in app.button_group if g.label.startswith("Verdict")]


def write(run, shop, unit="P-1"):
    app = run(shop, "bench", do="write", unit=unit)
    assert not app.exception
    return app


def go_to(app, place):
    places = next(s for s in app.selectbox if s.label == "Place")
    places.set_value(place).run()
    return app


def test_the_form_follows_the_family_and_puts_cautions_first(run, shop):
    app = write(run, shop)
    words = said(app)
    assert "P-1: 0 of 4 places looked at." in words  # rotor, park brake, two seals
    assert "Lift with a sling." in words
    assert "Limit: at most 0.3 mm · as new 0.1" in words
    places = next(s for s in app.selectbox if s.label == "Place")
    assert places.options == ["rotor", "⚠ park brake", "seal 1 of 2", "seal 2 of 2"]


def test_a_reading_proposes_the_verdict_and_a_person_may_overrule_it_with_a_reason(run, shop):
    app = write(run, shop)
    app.number_input("reading_P-1_rotor_1_gap").set_value(0.25).run()
    assert verdicts(app)[0].value == "ok"
    app.number_input("reading_P-1_rotor_1_gap").set_value(0.35).run()
    assert verdicts(app)[0].value == "fail"
    assert "Beyond the limit" in app.warning[0].value
    verdicts(app)[0].set_value("ok").run()
    app.number_input("reading_P-1_rotor_1_gap").set_value(0.36).run()
    assert verdicts(app)[0].value == "ok", "what a person chose stays"
    assert app.button("store_teardown").disabled
    assert "need a reason first" in said(app)
    app.text_input("why_P-1_rotor_1_gap").set_value("measured warm").run()
    assert not app.button("store_teardown").disabled
    app.button("store_teardown").click().run()
    assert not app.exception
    inspections = commands.known(shop).records.inspections
    mine = inspections[inspections["job"] != "J1"]
    assert list(mine["verdict"]) == ["ok"]
    assert list(mine["reading"]) == [0.36]
    assert list(mine["condition"]) == ["passed beyond the limit: measured warm"]


def test_on_a_safety_component_the_page_says_who_decides(run, shop):
    app = write(run, shop)
    go_to(app, 1)
    app.number_input("reading_P-1_brake_1_lining").set_value(2.0).run()
    assert verdicts(app)[0].value == "fail"
    verdicts(app)[0].set_value("ok").run()
    assert "maker’s limit, local codes and licensed practice decide" in app.error[0].value


def test_a_draft_outlives_the_session_and_is_stored_as_one_and_taken_back(run, shop):
    app = write(run, shop)
    app.number_input("reading_P-1_rotor_1_gap").set_value(0.4).run()
    next(g for g in app.button_group if g.label == "What was done").set_value("replace").run()
    next(g for g in app.button_group if g.label == "Why").set_value("failure").run()
    app = write(run, shop)  # the tablet slept; a new session
    assert app.number_input("reading_P-1_rotor_1_gap").value == 0.4
    assert verdicts(app)[0].value == "fail"
    assert "P-1: 1 of 4 places looked at." in said(app)
    app.button("store_teardown").click().run()
    assert not app.exception
    assert "Stored:" in app.success[0].value
    now = commands.known(shop)
    assert len(now.history.teardowns) == 2
    new = now.records.outcomes[now.records.outcomes["job"] != "J1"].set_index("component")
    assert new.loc["rotor", "verdict"] == "fail"
    assert bool(new.loc["rotor", "renewed"])
    assert new.loc["rotor", "part"] == "R-9"
    app.button("take_back").click().run()
    assert not app.exception
    assert len(commands.known(shop).history.teardowns) == 1


def test_what_a_rule_refuses_is_shown_and_nothing_is_stored(run, shop):
    app = write(run, shop)
    app.number_input("mileage_P-1").set_value(10.0).run()  # less than at the teardown before
    verdicts(app)[0].set_value("ok").run()
    app.button("store_teardown").click().run()
    assert not app.exception
    assert "Not stored" in app.error[0].value
    assert len(commands.known(shop).history.teardowns) == 1


def test_without_a_unit_the_form_asks_for_one(run, shop):
    app = run(shop, "bench", do="write")
    assert not app.exception
    assert "Which unit is on the bench?" in said(app)


def test_a_stored_teardown_opens_in_the_form_and_its_correction_stays_on_record(run, shop):
    app = run(shop, "bench", do="write", unit="P-1", job="J1")
    assert not app.exception
    words = said(app)
    assert "J1 of P-1: 1 of 4 places looked at." in words
    assert "Written by" in words
    assert app.number_input("reading_P-1@J1_rotor_1_gap").value == 0.2
    assert app.number_input("mileage_P-1@J1").value == 80_000
    assert app.text_input("job_P-1@J1").disabled
    app.number_input("reading_P-1@J1_rotor_1_gap").set_value(0.28).run()
    app.button("store_teardown").click().run()
    assert not app.exception
    assert "Stored: J1" in app.success[0].value
    now = commands.known(shop)
    assert len(now.history.teardowns) == 1
    assert list(now.records.inspections["reading"]) == [0.28]
    assert list(now.records.inspections["action"]) == ["reuse"]
    app = run(shop, "bench", do="write", unit="P-1", job="J1")
    assert "What it said before (1 changes)" in [e.label for e in app.expander]


def test_a_teardown_that_should_not_be_there_is_taken_out_and_brought_back(run, shop):
    other = {"job": "J0", "unit": "P-2", "opened_on": "2025-01-09"}
    report = store_teardown(shop, other, [{"job": "J0", "component": "seal", "position": 1, "verdict": "ok"}], "ann")
    assert report.load is not None, report.rejects
    app = run(shop, "bench", do="write", unit="P-1", job="J1")
    app.button("take_out").click().run()
    assert not app.exception
    assert "Taken out: J1" in app.success[0].value
    assert stored(shop) == ["J0"]
    app.button("take_back").click().run()
    assert sorted(stored(shop)) == ["J0", "J1"]


def test_a_correction_of_what_another_changed_meanwhile_is_not_stored(run, shop):
    app = run(shop, "bench", do="write", unit="P-1", job="J1")
    job = stored_job(shop, "J1")
    findings = job.findings.to_dict("records")
    findings[0]["reading"] = 0.22
    store_teardown(shop, job.teardown, findings, "somebody else")
    app.number_input("mileage_P-1@J1").set_value(81_000.0).run()
    app.button("store_teardown").click().run()
    assert not app.exception
    assert "Somebody else has changed" in app.error[0].value
    assert stored_job(shop, "J1").teardown["unit_mileage"] == 80_000


def test_a_correction_only_looked_at_opens_as_the_store_has_it_now(run, shop):
    app = run(shop, "bench", do="write", unit="P-1", job="J1")
    assert app.number_input("reading_P-1@J1_rotor_1_gap").value == 0.2
    job = stored_job(shop, "J1")
    findings = job.findings.to_dict("records")
    findings[0]["reading"] = 0.22
    store_teardown(shop, job.teardown, findings, "somebody else")
    app = run(shop, "bench", do="write", unit="P-1", job="J1")  # another session
    assert app.number_input("reading_P-1@J1_rotor_1_gap").value == 0.22
    app.number_input("mileage_P-1@J1").set_value(81_000.0).run()
    app.button("store_teardown").click().run()
    assert "Stored: J1" in app.success[0].value


def stored(path):
    with stores.reading(path) as con:
        return [job for (job,) in con.execute("select job from teardowns").fetchall()]
