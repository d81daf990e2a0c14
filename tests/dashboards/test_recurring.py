"""The shop office's other ways of looking: each topic opens, says its counts, and offers its table as a file."""

import pytest

from tests.dashboards.conftest import said


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("units", "failures of"),
        ("damage", "ruined"),
        ("drift", "readings"),
        ("hidden", "still worth its look"),
    ],
)
def test_a_topic_opens(run, fleet_store, topic, words):
    app = run(fleet_store, "shop_office")
    assert "Choose what to look at" in said(app)
    app.session_state["topic"] = topic
    app.run()
    assert not app.exception
    assert words in said(app)
    assert len(app.dataframe) >= 3


def test_fails_by_mileage_for_one_family(run, fleet_store):
    app = run(fleet_store, "shop_office")
    app.session_state["topic"] = "shares"
    app.run()
    assert not app.exception
    assert any("age_from" in frame.value for frame in app.dataframe)


def test_sites_left_out_stay_out(run, fleet_store, tmp_path):
    import shutil

    from rebuildstats.history import store as stores

    path = tmp_path / "quiet.duckdb"
    shutil.copy(fleet_store, path)
    stores.change_settings(path, benches_shown=False)
    import recurring  # the dashboard's own module, on its path since the app ran

    from rebuildstats import commands
    from rebuildstats.errors import UsageError

    assert recurring.TOPICS
    with pytest.raises(UsageError, match="leave sites out"):
        commands.recurrence(path, by="site")
    assert set(commands.drift(path).frame()["site"]) <= {""}
