"""What if, on the counter's page: what is supposed stands beside what is, and a slip is told."""

from tests.dashboards.conftest import said


def test_a_supposition_is_told_beside_what_is(run, fleet_store):
    app = run(fleet_store, "counter")
    assert "What if" in [heading.value for heading in app.subheader]
    assert not [frame for frame in app.dataframe if "Supposed" in said(app)]
    app.text_input(key="what_if").set_value("lead-time=+30").run()
    assert not app.exception
    assert "Supposed: lead-time=+30. Nothing in the store was changed." in said(app)
    assert "As it is," in said(app)


def test_what_cannot_be_read_is_told(run, fleet_store):
    app = run(fleet_store, "counter")
    app.text_input(key="what_if").set_value("weather=bad").run()
    assert not app.exception
    assert "weather=bad" in said(app)
    assert "lead-time=+10" in said(app)
