"""Names that look alike on the page Data in: shown with what speaks against them, joined with a reason, undone."""

from __future__ import annotations

import pytest

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files


@pytest.fixture
def two_serials(tmp_path):
    path = tmp_path / "s.duckdb"
    stores.create(path, "km")
    (tmp_path / "in").mkdir()
    sheets = {
        "units": "unit,family\nP-01,pump\nP-O1,pump\n",
        "components": "family,component\npump,seal\n",
        "teardowns": "job,unit,opened_on\nJ1,P-01,2025-03-01\nJ2,P-01,2025-04-01\nJ3,P-O1,2025-05-01\n",
    }
    for name, text in sheets.items():
        (tmp_path / "in" / f"{name}.csv").write_text(text)
    assert load_files(path, [tmp_path / "in"]).complete
    return path


def units_of(path):
    with stores.reading(path) as con:
        return con.execute("select unit from teardowns order by job").fetchall()


def test_a_pair_is_joined_with_a_reason_and_parted_again(run, two_serials):
    app = run(two_serials, "data_in")
    assert not app.exception
    app.selectbox("join_pair").select_index(0).run()
    assert app.button("join").disabled
    app.text_input("join_why").set_value("same plate").run()
    app.button("join").click().run()
    assert not app.exception
    assert [s.value for s in app.success] == ["Unit P-O1 joined to P-01: same plate."]
    assert units_of(two_serials) == [("P-01",)] * 3
    app.selectbox("part_which").select_index(0).run()
    app.text_input("part_why").set_value("two plates").run()
    app.button("part").click().run()
    assert not app.exception
    assert units_of(two_serials) == [("P-01",), ("P-01",), ("P-O1",)]
