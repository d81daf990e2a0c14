"""Makes, rates and doubts where the service manager, the parts manager and the doubter look for them."""

import pytest

from rebuildstats import commands
from tests.dashboards.conftest import said


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("Makes side by side", "two makes with three failures each"),
        ("How often it fails", "scatter"),
        ("Fails when young", "first tenth of life"),
    ],
)
# the fleet of these tests is too small to compare makes, and says so
def test_a_topic_opens(run, fleet_store, topic, words):
    app = run(fleet_store, "shop_office", lasting=topic)
    assert not app.exception
    assert words in said(app)


def test_rates_by_duty_are_those_of_the_command(run, fleet_store):
    app = run(fleet_store, "shop_office", lasting="How often it fails", rates_by="duty")
    assert not app.exception
    shown = next(frame.value for frame in app.dataframe if "rate_lower" in frame.value)
    family = shown["family"].iloc[0]
    assert len(shown) == len(commands.rates(fleet_store, family, by="duty").frame())


def test_a_fit_is_held_against_what_was_counted(run, fleet_store):
    app = run(fleet_store, "track_record")
    assert not app.exception
    words = said(app)
    assert "Does it fit?" in words
    assert "Were 2 % of the verdicts wrong" in words
    assert any("aicc" in frame.value for frame in app.dataframe)


def test_a_part_stands_beside_other_makes(run, fleet_store):
    rows = commands.makes(fleet_store).frame()
    part = rows["part"].iloc[0] if len(rows) else "none"
    app = run(fleet_store, "counter", part=part)
    assert not app.exception
    assert ("Beside other makes" in [heading.value for heading in app.subheader]) == bool(len(rows))
