"""Dashboard, form, counter and nightly work at one store at once; an hour's worth runs in
`tests/benchmarks/sharing_soak.py`.
"""

from __future__ import annotations

from tests.history.conftest import Shop
from tests.history.sharing import share


def test_all_at_once_lose_nothing_and_hear_of_no_lock(shop: Shop) -> None:
    told = share(shop.path, shop.folder, 2.5)
    assert [error for t in told for error in t["errors"]] == []
    assert all(t["done"] > 0 for t in told)
