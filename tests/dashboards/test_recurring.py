"""The shop office's other ways of looking: each topic opens, says its counts, and offers its table as a file."""

import pytest

from rebuildstats import commands
from tests.dashboards.conftest import said


@pytest.mark.parametrize(
    ("topic", "words", "column"),
    [
        ("Units by mileage", "failures of", "mean_upper"),
        ("Ruined beside it", "ruined", "base_share"),
        ("Drifting gauges", "readings", "shift"),
        ("Left out, never failed", "still worth its look", "bound"),
    ],
)
def test_a_topic_opens(run, fleet_store, topic, words, column):
    app = run(fleet_store, "shop_office", topic=topic, see_recurrence="true")
    assert not app.exception
    assert words in said(app)
    assert any(column in frame.value for frame in app.dataframe)


def test_fails_by_mileage_for_one_family(run, fleet_store):
    family = commands.known(fleet_store).history.units["family"].max()
    app = run(fleet_store, "shop_office", topic="Fails by mileage", shares_family=family)
    assert not app.exception
    shown = next(frame.value for frame in app.dataframe if "age_from" in frame.value)
    assert set(shown["family"]) == {family}


def test_sites_left_out_stay_out(run, fleet_store, tmp_path):
    import shutil

    from rebuildstats.history import store as stores

    path = tmp_path / "quiet.duckdb"
    shutil.copy(fleet_store, path)
    stores.change_settings(path, benches_shown=False)
    import recurring  # the dashboard's own module, on its path since the app ran

    from rebuildstats.errors import UsageError

    assert recurring.TOPICS
    with pytest.raises(UsageError, match="leave sites out"):
        commands.recurrence(path, by="site")
    assert set(commands.drift(path).frame()["site"]) <= {""}
