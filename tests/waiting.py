"""Waiting for a thing itself and never for a number of seconds: a slow or busy machine is no failure."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE = 600.0  # seconds after which the thing never comes


def until(true: Callable[[], object], *, every: float = 0.02) -> None:
    """Wait until this is so; fails when it never is. every: seconds between two looks."""
    end = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(every)
