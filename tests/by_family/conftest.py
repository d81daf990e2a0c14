"""One small network for all tests of this folder that only look at it."""

from __future__ import annotations

import pytest

import rebuildstats
from tests.by_family.small_network import small_network


@pytest.fixture(scope="session")
def network(tmp_path_factory):
    return small_network(tmp_path_factory.mktemp("network"))


@pytest.fixture(scope="session")
def one_machine(network):
    """What one machine answers: the fits, and the forecast with all its rows."""
    return rebuildstats.fit(network), rebuildstats.forecast(network, months=2, total=True, all_methods=True)
