"""What every test starts from."""

from __future__ import annotations

import os
import signal
import sys
import time

from hypothesis import HealthCheck, settings

# A shell's background job ignores Ctrl-C, and so would every process that a test starts to press it on.
signal.signal(signal.SIGINT, signal.default_int_handler)

# A load's day is the day where the machine stands; the moments in the tests are written as UTC.
os.environ["TZ"] = "UTC"
if hasattr(time, "tzset"):
    time.tzset()

# Two workers on two cores: the threads of one's linear algebra would only wait for the other's.
assert "numpy" not in sys.modules, "set before numpy reads it"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# The same examples every time, however slow the machine and whatever an earlier run left on the disk; others are looked
# for with `--hypothesis-profile=wander`.
settings.register_profile("wander", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("suite", settings.get_profile("wander"), derandomize=True, database=None)
settings.load_profile("suite")
