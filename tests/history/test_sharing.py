"""Dashboard, form, counter and nightly work at one store at once; an hour's worth runs in
`tests/benchmarks/sharing_soak.py`.
"""

from __future__ import annotations

from rebuildstats.history import store
from tests.history.conftest import Shop
from tests.history.sharing import Role, share


def test_all_at_once_lose_nothing_and_hear_of_no_lock(shop: Shop) -> None:
    told = share(
        shop.path,
        shop.folder,
        [
            Role("load", 2, 0.1),
            Role("form", 3, 0.1),
            Role("nightly", 1, 0.1),
            Role("dashboard", None, 0.05),
        ],
    )
    assert [error for one in told for error in one.errors] == []
    assert all(one.done > 0 for one in told)


def test_a_reader_does_not_wait_while_a_writer_has_its_turn(shop: Shop) -> None:
    """With no patience at all a reader gets in; how long it takes by the clock is the hour's to say."""
    with store.writing(shop.path) as con:
        con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
        with store.reading(shop.path, patience=0.0) as reader:
            assert reader.execute("select count(*) from sites").fetchall() == [(0,)]
