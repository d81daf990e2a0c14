"""Ports for servers that tests start."""

from __future__ import annotations

import os
import socket
from itertools import count

# Below what systems hand out to programs that ask for any port (from 32768 on, or 49152), so that nobody takes one
# between here and the start of the server; every process of a run looks at ports of its own.
_FIRST, _EACH, _PROCESSES = 20_000, 100, 100
_TRIED = count()


def free_port() -> int:
    """A port on which nobody listens, never the same one twice."""
    own = _FIRST + os.getpid() % _PROCESSES * _EACH
    for _ in range(_EACH):
        port = own + next(_TRIED) % _EACH
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError(f"no port from {own} on is free")
