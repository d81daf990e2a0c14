"""One small network for all tests of this folder that only look at it."""

from __future__ import annotations

import pytest

from tests.by_family.small_network import small_network


@pytest.fixture(scope="session")
def network(tmp_path_factory):
    return small_network(tmp_path_factory.mktemp("network"))
