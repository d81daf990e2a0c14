"""What every test starts from."""

from __future__ import annotations

import signal

# A shell's background job ignores Ctrl-C, and so would every process that a test starts to press it on.
signal.signal(signal.SIGINT, signal.default_int_handler)
