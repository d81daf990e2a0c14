"""The address of every page reopens it as it was: what was chosen, steered by, narrowed and unfolded."""

import pandas as pd
import pytest

from rebuildstats import commands
from rebuildstats.figures.life import counted_steps
from rebuildstats.history import store as stores
from rebuildstats.kept_answers.shelf import Shelf, shelf
from tests.dashboards.conftest import said


def shown(app, column):
    """The table on the page that has this column."""
    return next(frame.value for frame in app.dataframe if column in frame.value)


def test_nothing_is_unfolded_unless_the_address_says_so(run, fleet_store):
    app = run(fleet_store, "counter")
    assert app.expander
    assert not any(box.proto.expanded for box in app.expander)
    assert not any("chance_short" in frame.value for frame in app.dataframe)


@pytest.fixture
def more_ordered(fleet_store, monkeypatch):
    """`more_ordered(goal)`: the order for that goal, which stands ready, is a piece more of everything than usual."""
    take = Shelf.take

    def ready(**goal):
        usual = take(shelf(fleet_store), "order", {"job_fill": 0.9})
        more = usual | {"rows": usual["rows"].assign(order_now=usual["rows"]["order_now"].fillna(0) + 1)}
        monkeypatch.setattr(
            Shelf,
            "take",
            lambda self, question, asked: more if (question, asked) == ("order", goal) else take(self, question, asked),
        )
        return more["rows"]

    return ready


def test_the_counter(run, fleet_store, more_ordered):
    rows = more_ordered(part_fill=0.8)
    part = str(rows["part"].min())
    told = {"aim": "Pieces from the shelf", "level": "80", "see_order_all": "true", "see_runs_short": "true"}
    app = run(fleet_store, "counter", **told, only_order_all=part)
    assert not app.exception
    assert f"Order {len(rows)} lines today" in said(app)
    assert len(shown(app, "chance_short"))
    assert part in set(shown(app, "lead_time_q95")["part"])
    assert app.query_params["level"] == "80"
    for name in told:
        assert name in app.query_params


def test_a_part_with_what_the_order_is_steered_by(run, fleet_store, more_ordered):
    rows = more_ordered(budget=512.0)
    part = str(rows["part"].max())
    asked = {"part": part, "aim": "Money to spend", "budget": "512"}
    app = run(fleet_store, "counter", **asked, see_reasons="true")
    assert not app.exception
    assert f"order {rows.loc[rows['part'] == part, 'order_now'].sum():.0f} today" in said(app)
    assert len(shown(app, "chance_teardown"))


def test_the_shop_office(run, fleet_store):
    families = shelf(fleet_store).take("history", {})["catalog"].families
    rows = shelf(fleet_store).take("repeats", {})["rows"]
    row = rows[rows["kind"] == "component"].iloc[-1]
    key = f"component/{row['name']}/{row['family']}/{row['component']}"
    app = run(
        fleet_store,
        "shop_office",
        group=key,
        family=families[-1],
        mileage="50000",
        see_inspections="true",
        see_teardowns_behind="true",
        see_repeats="true",
    )
    assert not app.exception
    assert app.selectbox("group").value == key
    assert set(shown(app, "share_upper")["family"]) == {families[-1]}
    assert app.number_input("mileage").value == 50_000
    assert len(shown(app, "q_value")) == len(rows)


def test_the_bench(run, fleet_store):
    names = shelf(fleet_store).take("history", {})["catalog"]
    family, complaint = names.families[-1], names.complaints[0]
    points = names.points
    gauge = points[(points["family"] == family) & points["method"].eq("gauge")]["point"].iloc[-1]
    asked = {"family": family, "mileage": "61000", "point": gauge, "complaint": complaint}
    app = run(fleet_store, "bench", **asked, see_wear="true", see_readings="true")
    assert not app.exception
    assert f"Family {family} at 61,000" in said(app)
    assert f"Ranked by what “{complaint}” came from before." in said(app)
    assert app.selectbox("point").value == gauge
    assert len(shown(app, "chance_bad"))
    assert len(shown(app, "reading"))


def test_the_track_record(run, fleet_store, monkeypatch):
    run(fleet_store, "data_in")
    import cached  # the dashboard's own module, on its path since the app ran

    monkeypatch.setattr(cached, "A_BLINK", 0)  # as of many lives: an answer of its own
    cached.steps.clear()
    row = shelf(fleet_store).take("fits", {})["life"].iloc[-1]
    app = run(fleet_store, "track_record", family=row["family"], component=row["component"])
    assert not app.exception
    assert (app.selectbox("family").value, app.selectbox("component").value) == (row["family"], row["component"])
    asked = {"family": row["family"], "component": row["component"]}
    lives = shelf(fleet_store).rows("records.lives", where=asked)
    pd.testing.assert_frame_equal(shelf(fleet_store).take("steps", asked)["rows"], counted_steps(lives))


def test_another_store_than_the_one_it_was_started_with(run, fleet_store, empty_store):
    stores.create(empty_store.with_name("other.duckdb"), "km")
    app = run(empty_store, "data_in")
    app.query_params["store"] = "other.duckdb"
    app.run()
    assert not app.exception
    assert "<b>other.duckdb</b>" in said(app)
    assert app.query_params["store"] == "other.duckdb"


def test_where_stores_are_not_to_be_chosen_the_address_chooses_none(run, empty_store, tmp_path, monkeypatch):
    stores.create(empty_store.with_name("other.duckdb"), "km")
    (tmp_path / "people.toml").write_text("read = []\nwrite = []\n", encoding="utf-8")
    monkeypatch.setenv("REBUILDSTATS_ACCESS", str(tmp_path / "people.toml"))
    app = run(empty_store, "data_in")
    app.query_params["store"] = "other.duckdb"
    assert "other.duckdb" not in said(app.run())


def test_rows_that_wait_to_be_corrected_are_there_whoever_opens_the_page(run, empty_store, tmp_path):
    sheet = tmp_path / "units.csv"
    sheet.write_text("unit,family,origin\nP-1,pump,new\nP-2,pump,nwe\n", encoding="utf-8")
    commands.load(empty_store, [sheet])
    app = run(empty_store, "data_in")
    assert not app.exception
    assert "Rows that still wait to be corrected (1)" in [heading.value for heading in app.subheader]
    assert app.get("download_button")[0].proto.label == "units.csv (1)"
    sheet.write_text("unit,family,origin\nP-2,pump,new\n", encoding="utf-8")
    commands.load(empty_store, [sheet])
    app.run()
    assert not [heading for heading in app.subheader if "still wait" in heading.value]
