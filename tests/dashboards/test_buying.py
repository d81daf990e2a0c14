"""How to buy, on the counter's page, and when points reach their limits: as the commands say, and slips are told."""

from rebuildstats import commands
from tests.dashboards.conftest import said


def test_lots_are_those_of_the_command(run, fleet_store):
    app = run(fleet_store, "counter", see_lots="true")
    assert "Say what one order line costs" in said(app)
    app.number_input("order_cost").set_value(25.0).run()
    assert not app.exception
    mine = commands.lots(fleet_store, order_cost=25.0).frame()
    shown = [frame.value for frame in app.dataframe if list(frame.value.columns) == list(mine.columns)]
    assert len(shown) == 1
    assert list(shown[0]["part"]) == list(mine["part"])


def test_a_least_sum_says_what_lacks_and_an_unknown_supplier_is_told(run, fleet_store):
    supplier = str(commands.known(fleet_store).history.parts["supplier"].dropna().iloc[0])
    app = run(fleet_store, "counter", see_suppliers="true", least=f"{supplier}=1000000")
    assert not app.exception
    rows = next(frame.value for frame in app.dataframe if "least_money" in frame.value)
    assert (rows.loc[rows["supplier"] == supplier, "lacking"] > 0).all()
    app.text_input("least").set_value("Nobody=5").run()
    assert not app.exception
    assert "No part comes from a supplier called Nobody" in said(app)


def test_points_reach_their_limits_as_the_command_says(run, fleet_store):
    app = run(fleet_store, "track_record", see_points="true")
    assert not app.exception
    mine = commands.points(fleet_store).frame()
    shown = [frame.value for frame in app.dataframe if list(frame.value.columns) == list(mine.columns)]
    assert len(shown) == 1
    assert len(shown[0]) == len(mine)
